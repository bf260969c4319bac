package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
)

// TestConfirmIsAskedFor shows the finding first, and confirms nothing without a
// yes; what is then confirmed is bound to the request that was shown.
func TestConfirmIsAskedFor(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		code int
		sent int
		want string
	}{
		"without a terminal": {nil, exitUsage, 1, "without a terminal a confirmation needs --yes"},
		"with --yes":         {[]string{"--yes"}, exitDone, 2, "line north: roll 12: the word of kim counts once"},
		"no finding":         {[]string{"--finding", ""}, exitUsage, 0, "a confirmation needs --roll N, --finding CODE and --by NAME"},
		"no roll":            {[]string{"--roll", "0"}, exitUsage, 0, "a confirmation needs --roll N"},
	} {
		t.Run(name, func(t *testing.T) {
			var got []control.Request
			socket := filepath.Join(t.TempDir(), "c.sock")
			s, err := control.Listen(t.Context(), socket, func(_ context.Context, r control.Request) control.Reply {
				got = append(got, r)
				reply := control.Reply{Outcome: control.Done, Proposal: &control.Proposal{
					Line: "north", Roll: 12, Tag: "T00012", Token: handshake.Token{Boot: 3, Req: 7}, Finding: "the roll tips when it leans by 4.95 degrees",
				}}
				if r.Shown != nil {
					reply.Text = []string{"line north: roll 12: the word of kim counts once"}
				}
				return reply
			})
			if err != nil {
				t.Fatal(err)
			}
			args := append([]string{"confirm", "--socket", socket, "--by", "kim", "--roll", "12", "--finding", "narrow-roll"}, c.args...)
			var stdout, stderr bytes.Buffer
			code := run(args, nil, strings.NewReader("yes\n"), &stdout, &stderr)
			all := stdout.String() + stderr.String()
			if code != c.code || !strings.Contains(all, c.want) {
				t.Errorf("ended with %d: %s, want %d and %q", code, all, c.code, c.want)
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
			if len(got) != c.sent {
				t.Fatalf("the daemon was asked %d times, want %d", len(got), c.sent)
			}
			if c.sent > 0 && (got[0].Shown != nil || !strings.Contains(all, "4.95 degrees")) {
				t.Errorf("asked %+v, shown %s", got[0], all)
			}
			if c.sent > 1 && (got[1].Shown == nil || *got[1].Shown != (handshake.Token{Boot: 3, Req: 7}) || got[1].Finding != "narrow-roll") {
				t.Errorf("asked %+v", got[1])
			}
		})
	}
}
