package main

import (
	"os"
	"os/exec"
	"path/filepath"
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
	wants(t, string(out), "which acts on the line, is killed after 8 rolls", "took the line over after", "by lease 2")
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

// TestDemoPairWithoutEngine: without a PostgreSQL it says what to do.
func TestDemoPairWithoutEngine(t *testing.T) {
	_, _, errors := call("demo", "--pair")
	wants(t, errors, "none is named", "--engine-address ADDRESS", "apt-get install postgresql", "lapgate engine migrate")
	code, _, errors := call("demo", "--pair", "--engine-address", t.TempDir())
	if code != exitUnreachable {
		t.Errorf("got exit code %d: %s", code, errors)
	}
}
