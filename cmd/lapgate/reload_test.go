package main

import (
	"context"
	"path/filepath"
	"testing"

	"lapgate/gateway/control"
)

// TestReloadAsksPerson: what the daemon asks is shown, and agreed to with --yes or not
// at all where nobody can answer.
func TestReloadAsksPerson(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "c.sock")
	asks := 0
	s, err := control.Listen(t.Context(), socket, func(_ context.Context, r control.Request) control.Reply {
		if r.Answer == "so be it" {
			return control.Reply{Outcome: control.Done, Text: []string{"in force"}}
		}
		asks++
		return control.Reply{Outcome: control.Asked, Question: &control.Question{Text: []string{"roll 7 would go"}, Answer: "so be it"}}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	out := command(t, exitUsage, "the configuration in force stays: without a terminal what the daemon asks needs --yes", "reload", "--socket", socket, "--by", "kim")
	wants(t, out, `^roll 7 would go$`)
	out = command(t, exitDone, "in force", "reload", "--socket", socket, "--by", "kim", "--yes")
	wants(t, out, `^roll 7 would go$`)
	if asks != 2 {
		t.Errorf("asked %d times", asks)
	}
}
