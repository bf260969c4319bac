package main

import (
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/control"
	"lapgate/gateway/status"
)

// Status says that a line is armed where it is, and in shadow where it is not, by what
// comes over the socket.
func TestStatusTellsArming(t *testing.T) {
	for armed, want := range map[bool]string{true: "Armed, by kim since", false: "Shadow, nothing is written, by kim since"} {
		text, err := json.Marshal(status.View{Lines: []status.LineView{{Line: "north", Armed: armed, Arming: status.Arming{By: "kim", Why: "trial"}}}})
		if err != nil {
			t.Fatal(err)
		}
		socket := filepath.Join(t.TempDir(), "s")
		daemon, err := control.Listen(t.Context(), socket, func(context.Context, control.Request) control.Reply {
			return control.Reply{Outcome: control.Done, Status: text}
		})
		if err != nil {
			t.Fatal(err)
		}
		code, stdout, stderr := call("status", "--socket", socket)
		if code != exitDone || !strings.Contains(stdout, want) {
			t.Errorf("armed %t: exit code %d, %s\n%s", armed, code, stderr, stdout)
		}
		if err := daemon.Close(); err != nil {
			t.Error(err)
		}
	}
}

// Status --watch asks again until the daemon does not answer any more, and says so.
func TestStatusWatches(t *testing.T) {
	t.Parallel()
	asked := 0
	socket := filepath.Join(t.TempDir(), "s")
	daemon, err := control.Listen(t.Context(), socket, func(_ context.Context, r control.Request) control.Reply {
		if asked++; asked == 3 || r.Command != control.Status {
			return control.Reply{Outcome: control.Failed, Error: "the daemon is ending"}
		}
		text, err := json.Marshal(status.View{Lines: []status.LineView{{Line: "north", Now: status.Now{Need: true, State: "Roll held", Do: "Hang a wrapper."}}}})
		if err != nil {
			return control.Reply{Outcome: control.Failed, Error: err.Error()}
		}
		return control.Reply{Outcome: control.Done, Status: text}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = daemon.Close() }()
	var stdout, stderr strings.Builder
	code := run([]string{"status", "--socket", socket, "--watch"}, nil, strings.NewReader(""), &stdout, &stderr)
	if code != exitFailed || !strings.Contains(stderr.String(), "the daemon is ending") {
		t.Errorf("exit code %d: %s", code, stderr.String())
	}
	if n := strings.Count(stdout.String(), "▲ Roll held"); n != 2 || !strings.Contains(stdout.String(), "Hang a wrapper.") {
		t.Errorf("shown %d times:\n%s", n, stdout.String())
	}
}
