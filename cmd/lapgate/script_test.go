package main

import (
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"lapgate/configs"
)

func TestMain(m *testing.M) {
	testscript.Main(cleanup{m}, map[string]func(){"lapgate": main})
}

// cleanup removes the binary built for the tests after they have run.
type cleanup struct{ *testing.M }

// How many parallel tests run at once unless -parallel says otherwise. Nearly all wait for
// the times of a handshake and leave the processors idle, so that it is more than there
// are of those; under the race detector, which has -short, they are busier.
const (
	atOnce      = "8"
	atOnceShort = "4"
)

// Run runs the tests.
func (c cleanup) Run() int {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "test.parallel" })
	if !given {
		n := atOnce
		if testing.Short() {
			n = atOnceShort
		}
		if err := flag.Set("test.parallel", n); err != nil {
			panic(err)
		}
	}
	code := c.M.Run()
	if built.dir != "" {
		if err := os.RemoveAll(built.dir); err != nil && code == 0 {
			code = 1
		}
	}
	return code
}

// TestScripts runs the scripts of testdata/script: what each command prints,
// where, and with which exit code. The commands of the others than these calculate, and
// share nothing.
func TestScripts(t *testing.T) {
	t.Parallel()
	dir, files := "testdata/script", []string(nil)
	if testing.Short() {
		for _, name := range []string{"accept", "demo", "fault", "opcua", "process"} {
			files = append(files, filepath.Join(dir, name+".txtar"))
		}
		dir = ""
	}
	testscript.Run(t, testscript.Params{
		Dir: dir, Files: files,
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
