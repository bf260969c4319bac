package main

import (
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"lapgate/configs"
)

func TestMain(m *testing.M) {
	testscript.Main(cleanup{m}, map[string]func(){"lapgate": main})
}

// cleanup removes the binary built for the tests after they have run.
type cleanup struct{ *testing.M }

// Run runs the tests.
func (c cleanup) Run() int {
	code := c.M.Run()
	if built.dir != "" {
		if err := os.RemoveAll(built.dir); err != nil && code == 0 {
			code = 1
		}
	}
	return code
}

// TestScripts runs the scripts of testdata/script: what each command prints,
// where, and with which exit code.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			return os.WriteFile(e.Cd+"/demo.yaml", configs.Demo(), 0o600)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits,
		},
		RequireExplicitExec: true,
	})
}

// exits runs a command and wants a certain exit code: exits 3 lapgate check.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits code command arguments")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := "0"
	if err != nil {
		got = err.Error()
	}
	want := args[0]
	if want != "0" {
		want = "exit status " + want
	}
	if got != want {
		ts.Fatalf("%v ended with %q, want %q", args[1:], got, want)
	}
}
