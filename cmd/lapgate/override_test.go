package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/recipe/wording"
)

// aProposal is a daemon that proposes one change and keeps what it was asked.
func aProposal(t *testing.T) (socket string, asked func() []control.Request) {
	t.Helper()
	var got []control.Request
	socket = filepath.Join(t.TempDir(), "c.sock")
	s, err := control.Listen(t.Context(), socket, func(_ context.Context, r control.Request) control.Reply {
		got = append(got, r)
		reply := control.Reply{Outcome: control.Done, Proposal: &control.Proposal{
			Line: "north", Roll: 12, Tag: "T00012", Token: handshake.Token{Boot: 3, Req: 7},
			Changes: []control.Change{{Setpoint: "header dwell", Old: "3.8 s", New: "12 s"}},
		}}
		if r.Shown != nil {
			reply.Text = []string{"line north: roll 12 is offered"}
		}
		return reply
	})
	if err != nil {
		t.Fatal(err)
	}
	return socket, func() []control.Request {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		return got
	}
}

// TestOverrideIsAskedFor shows old and new values first, and does nothing
// without a yes; what is then done is bound to the request that was shown.
func TestOverrideIsAskedFor(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		code int
		sent int
		want string
	}{
		"without a terminal": {nil, exitUsage, 1, "without a terminal an override needs --yes"},
		"with --yes":         {[]string{"--yes", "--roll", "12"}, exitDone, 2, "line north: roll 12 is offered"},
		"no reason":          {[]string{"--reason", ""}, exitUsage, 0, "an override needs --value NAME=VALUE, --by NAME and --reason TEXT"},
		"no value":           {[]string{"--value", "layers"}, exitUsage, 0, `--value: got "layers", want NAME=VALUE`},
	} {
		t.Run(name, func(t *testing.T) {
			socket, asked := aProposal(t)
			args := append([]string{"override", "--socket", socket, "--by", "kim", "--reason", "lifts", "--value", "header_dwell=12 s"}, c.args...)
			var stdout, stderr bytes.Buffer
			code := run(args, nil, strings.NewReader("yes\n"), &stdout, &stderr)
			all := stdout.String() + stderr.String()
			if code != c.code || !strings.Contains(all, c.want) {
				t.Errorf("ended with %d: %s, want %d and %q", code, all, c.code, c.want)
			}
			got := asked()
			if len(got) != c.sent {
				t.Fatalf("the daemon was asked %d times, want %d", len(got), c.sent)
			}
			if c.sent > 0 && (got[0].Shown != nil || !strings.Contains(all, "header dwell") || !strings.Contains(all, "3.8 s") || !strings.Contains(all, "T00012")) {
				t.Errorf("asked %+v, shown %s", got[0], all)
			}
			if c.sent > 1 && (got[1].Shown == nil || *got[1].Shown != (handshake.Token{Boot: 3, Req: 7}) || got[1].Roll != 12 || got[1].Values[0] != (control.Value{Name: "header_dwell", Text: "12 s"})) {
				t.Errorf("asked %+v", got[1])
			}
		})
	}
}

func TestConfirm(t *testing.T) {
	for answer, want := range map[string]bool{"y\n": true, "Yes\n": true, "n\n": false, "\n": false, "": false, "yesterday\n": false} {
		var out bytes.Buffer
		if got := confirm(nil, strings.NewReader(answer), &out, wording.Plain("Offer?")); got != want || out.String() != "Offer? [y/N] " {
			t.Errorf("%q: got %v after %q", answer, got, out.String())
		}
	}
}
