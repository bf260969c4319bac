package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
)

// engineMill is a configuration whose engine is a database, as a user.
func engineMill(t *testing.T, d *enginetest.Database, user string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "mill.yaml")
	text := string(configs.Demo()) + "\nengine:\n  address: " + d.Server.Folder() + "\n  database: " + d.Name + "\n  user: " + user + "\n  mill: m\n  machine: a\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// called runs the program, wants an exit code, and returns what was printed.
func called(t *testing.T, want int, args ...string) string {
	t.Helper()
	code, stdout, stderr := call(args...)
	if code != want {
		t.Fatalf("lapgate %s ended with %d, want %d:\n%s%s", strings.Join(args, " "), code, want, stdout, stderr)
	}
	return stdout + stderr
}

func TestEngineCommands(t *testing.T) {
	d := enginetest.Own(t).Empty(t) // of no other test are roles there
	owner, machine := engineMill(t, d, enginetest.Owner), engineMill(t, d, enginetest.Machine)
	wants(t, called(t, exitDifferences, "engine", "check", "--json", "--config", owner), "no tables of lapgate", "lapgate engine migrate")
	wants(t, called(t, exitFailed, "engine", "migrate", "--config", machine), "have a superuser run: CREATE ROLE lapgate_writer NOLOGIN;")
	wants(t, called(t, exitDone, "engine", "migrate", "--config", owner, "--json"), `"from": 0`, fmt.Sprintf(`"to": %d`, engine.Version()))
	wants(t, called(t, exitFailed, "engine", "migrate", "--config", machine), "the user has no right", "as the owner")
	wants(t, called(t, exitDone, "engine", "migrate", "--config", owner, "--csv"), fmt.Sprintf("%d,%[1]d", engine.Version()))

	d.Members(t)
	wants(t, called(t, exitDifferences, "engine", "check", "--json", "--config", machine), "fsync = off, full_page_writes = off", "has the rights that a daemon needs, and no more")

	// The owner is no user for a daemon; all that is wrong is said at once.
	d.SQL(t, `ALTER DATABASE `+d.Name+` SET synchronous_commit = off`)
	wants(t, called(t, exitDifferences, "engine", "check", "--json", "--config", owner), "it owns the tables", "it may make roles", "fsync = off, full_page_writes = off, synchronous_commit = off")
	wants(t, called(t, exitDifferences, "engine", "check", "--json", "--config", engineMill(t, d, enginetest.Reader)), "GRANT lapgate_writer TO mill_reader;")
	wants(t, called(t, exitDifferences, "doctor", "--json", "--config", machine, "--timeout", "1ms"), "engine at "+d.Server.Folder())
}

func TestEngineIsAccepted(t *testing.T) {
	d := enginetest.New(t)
	mill := engineMill(t, d, enginetest.Owner)
	called(t, exitDone, "engine", "migrate", "--config", mill)
	state := filepath.Join(filepath.Dir(mill), "journal", "state", "engine.json")
	if err := os.WriteFile(state, []byte(`{"system":1,"timeline":1}`), 0o600); err != nil {
		t.Fatal(err)
	}
	wants(t, called(t, exitFailed, "engine", "migrate", "--config", mill), "this is another engine", "lapgate engine accept")
	wants(t, called(t, exitDifferences, "engine", "check", "--json", "--config", mill), "this is another engine", "no address has a server that may be written to")
	wants(t, called(t, exitUsage, "engine", "accept", "--config", mill), "--yes")
	called(t, exitDone, "engine", "accept", "--config", mill, "--yes")
	called(t, exitDone, "engine", "migrate", "--config", mill)
}

// TestEngineWithoutSecrets: what needs no secret reads none, and what is wrong is told at
// once.
func TestEngineWithoutSecrets(t *testing.T) {
	mill := filepath.Join(t.TempDir(), "mill.yaml")
	text := string(configs.Demo()) + "\nengine:\n  address: db.mill.example:5432\n  machine: a\n  password: file:nothing.secret\n  authorities: nobody.pem\n"
	if err := os.WriteFile(mill, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	state := filepath.Join(filepath.Dir(mill), "journal", "state", "engine.json")
	if err := os.MkdirAll(filepath.Dir(state), 0o700); err != nil {
		t.Fatal(err)
	}
	wants(t, called(t, exitDone, "engine", "accept", "--config", mill), "no engine is known here", "nothing has to be accepted")
	if err := os.WriteFile(state, []byte(`{"system":`), 0o600); err != nil {
		t.Fatal(err)
	}
	wants(t, called(t, exitDifferences, "engine", "check", "--json", "--config", mill), "nothing.secret", "nobody.pem", "engine.json", "lapgate engine accept")
	wants(t, called(t, exitDone, "engine", "accept", "--yes", "--config", mill), "what is known cannot be read")
	if _, err := os.Stat(state); !os.IsNotExist(err) {
		t.Errorf("it is known still: %v", err)
	}
}
