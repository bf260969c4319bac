package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/engine/enginetest"
)

// TestDemoPair: two daemons wrap a shift on a real engine, one is killed in the middle, and
// every roll is accounted for.
func TestDemoPair(t *testing.T) {
	t.Parallel()
	d := enginetest.New(t)
	cmd := exec.CommandContext(t.Context(), binary(t), "demo", "--pair", "--engine-address", d.Server.Folder(), "--rolls", "16")
	cmd.Env = append(cleanEnv(), "LAPGATE_ENGINE_DATABASE="+d.Name, "LAPGATE_ENGINE_USER="+enginetest.Machine)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	wants(t, string(out), "which acts on the line, is killed after 8 rolls", "took the line over after", "by lease [2-9]", // more where a busy machine lost the first
		"records of the demonstration are under mill demo-", "user mill_machine may not remove them", `SELECT lapgate.drop_mill\('demo-`)
	if n := d.SQL(t, `SELECT count(DISTINCT machine) FROM lapgate.journals JOIN lapgate.lines USING (line) WHERE mill LIKE 'demo-%' AND seq > 0`); n != "2" {
		t.Errorf("the engine has the journals of %s machines, want 2", n)
	}
}

// A journal of either daemon that is there already is told before anything is begun.
func TestDemoPairBeginsAfresh(t *testing.T) {
	dir := t.TempDir()
	there := filepath.Join(dir, "b", "north.db")
	if err := os.MkdirAll(filepath.Dir(there), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(there, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errors := call("demo", "--pair", "--engine-address", t.TempDir(), "--journal", dir)
	if code != exitFailed || out != "" {
		t.Errorf("got exit code %d: %s", code, out)
	}
	wants(t, errors, "b/north.db is there already")
}

// TestDemoPairLeavesNothing: where its user owns the tables, a demonstration leaves nothing
// in the engine, unless its journals are kept too.
func TestDemoPairLeavesNothing(t *testing.T) {
	t.Parallel()
	d := enginetest.New(t)
	rows := func() string {
		return d.SQL(t, `SELECT (SELECT count(*) FROM lapgate.lines) + (SELECT count(*) FROM lapgate.records) + (SELECT count(*) FROM lapgate.leases)
			+ (SELECT count(*) FROM lapgate.acts) + (SELECT count(*) FROM lapgate.machines)`)
	}
	run := func(args ...string) string {
		cmd := exec.CommandContext(t.Context(), binary(t), append([]string{"demo", "--pair", "--engine-address", d.Server.Folder(), "--rolls", "4"}, args...)...)
		cmd.Env = append(cleanEnv(), "LAPGATE_ENGINE_DATABASE="+d.Name, "LAPGATE_ENGINE_USER="+enginetest.Owner)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return string(out)
	}
	if out := run(); rows() != "0" || strings.Contains(out, "drop_mill") {
		t.Errorf("%s rows are left:\n%s", rows(), out)
	}
	wants(t, run("--journal", t.TempDir()), "they are kept, as the journals are", `SELECT lapgate.drop_mill\('demo-`)
	if rows() == "0" {
		t.Error("the records are gone, and were said to be kept")
	}
}

// TestDemoPairWithoutEngine: without a PostgreSQL it says what to do.
func TestDemoPairWithoutEngine(t *testing.T) {
	_, _, errors := call("demo", "--pair")
	wants(t, errors, "none is named", "--engine-address ADDRESS", "apt-get install postgresql", "lapgate engine migrate")
	code, _, errors := call("demo", "--pair", "--engine-address", t.TempDir())
	if code != exitUnreachable {
		t.Errorf("got exit code %d: %s", code, errors)
	}
}
