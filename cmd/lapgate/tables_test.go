package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/control"
	"lapgate/gateway/status"
)

// answering is the socket of a daemon that answers each command so.
func answering(t *testing.T, reply control.Reply) string {
	t.Helper()
	socket := filepath.Join(t.TempDir(), "s")
	daemon, err := control.Listen(t.Context(), socket, func(context.Context, control.Request) control.Reply { return reply })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Close() })
	return socket
}

// What is printed as CSV of several lines is one table, with the line in each row.
func TestCSVOfLinesIsOneTable(t *testing.T) {
	t.Parallel()
	left := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	view, err := json.Marshal(status.View{Lines: []status.LineView{
		{Line: "north", Rolls: []status.RollRow{{Number: 1, Left: left}, {Number: 2, Left: left}}},
		{Line: "south", Rolls: []status.RollRow{{Number: 9, Left: left}}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	socket := answering(t, control.Reply{
		Outcome: control.Done, Status: view,
		Pair: []control.PairLine{{Line: "north", Machine: "a", Role: "ACTIVE"}, {Line: "south", Machine: "a", Role: "STANDBY"}},
	})
	for command, want := range map[string][]string{"status": {"north", "north", "south"}, "pair": {"north", "south"}} {
		r := lapgate(command, "--csv", "--socket", socket)
		rows, err := csv.NewReader(strings.NewReader(r.out)).ReadAll()
		if err != nil || len(rows) != len(want)+1 || rows[0][0] != "line" {
			t.Errorf("%s: %v\n%s%s", command, err, r.out, r.errors)
			continue
		}
		for i, line := range want {
			if rows[i+1][0] != line {
				t.Errorf("%s: row %d is of %s, want %s", command, i+1, rows[i+1][0], line)
			}
		}
	}
}

// The device that is always empty is no terminal: a command says what it needs, and asks
// nobody.
func TestNobodyAnswersAtTheEmptyDevice(t *testing.T) {
	in, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = in.Close() }()
	var stdout, stderr strings.Builder
	code := run([]string{"probe", "scan", "127.0.0.1:1"}, nil, in, &stdout, &stderr)
	if code != exitUsage || !strings.Contains(stderr.String(), "without a terminal a scan needs --yes") {
		t.Errorf("exit code %d: %s", code, stderr.String())
	}
}
