package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/sim"
)

// callWith runs the program with words on standard input.
func callWith(stdin string, args ...string) (code int, out, errs string) {
	var stdout, stderr bytes.Buffer
	code = run(args, []string{"TZ=UTC"}, strings.NewReader(stdin), &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

func TestConform(t *testing.T) {
	t.Parallel()
	s := runningSim(t, func(*sim.Config) {})
	dir := t.TempDir()
	page := filepath.Join(dir, "north.html")
	args := []string{"conform", "--config", demoOnDisk(t), "--set", "lines.0.controller.address=" + s.ModbusAddr(), "--by", "Kim Berg", "--journal", dir, "--html", page}
	const answers = "north\nlocked out\n"

	code, out, errs := callWith(answers, append(args, "--acts", "none", "--case", "limits-told", "--case", "heartbeat-foreign", "--case", "wrapped", "--json")...)
	var list struct {
		Passed, Failed int
		NotRun         int `json:"not_run"`
		Cases          []struct{ Case, Outcome, Why string }
	}
	if err := json.Unmarshal([]byte(out), &list); err != nil || code != exitDifferences || list.Passed != 2 || list.NotRun != 1 || len(list.Cases) != 3 {
		t.Fatalf("exit code %d, %v: %s%s", code, err, out, errs)
	}
	wants(t, errs, `Type the name of the line in full`, `passed +heartbeat-foreign`, `not run +wrapped`, `2 cases passed, 0 failed, 1 were not run`)
	text, err := os.ReadFile(page)
	if err != nil || !strings.Contains(string(text), "line north") || !strings.Contains(string(text), "Kim Berg") {
		t.Errorf("%v: %s", err, text)
	}
	journals, err := filepath.Glob(filepath.Join(dir, "north-*.db"))
	if err != nil || len(journals) != 1 {
		t.Fatalf("%v, journals %v", err, journals)
	}
	if code, out, errs = call("journal", "verify", journals[0]); code != exitDone {
		t.Errorf("exit code %d: %s%s", code, out, errs)
	}
	code, out, _ = call("journal", "list", journals[0])
	if code != exitDone {
		t.Errorf("exit code %d", code)
	}
	wants(t, out, `MODE +.*writing on by Kim Berg`, `FRAME +.*HELLO of case heartbeat-foreign, 10 registers`)

	// A program acts, or says that it cannot; a recipe wants a word for each case.
	acts := filepath.Join(dir, "acts")
	if err := os.WriteFile(acts, []byte("#!/bin/sh\nexit 3\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	code, out, errs = callWith(answers+"no\n", append(args, "--acts", "program:"+acts, "--accept-recipes", "--case", "roll-enters", "--case", "wrapped", "--csv")...)
	if code != exitDifferences || !strings.HasPrefix(out, "case,rule,what is proved,outcome\n") {
		t.Errorf("exit code %d: %s%s", code, out, errs)
	}
	wants(t, errs, `not run +roll-enters`, `Type yes to run it: not run +wrapped`, `nobody agreed`)

	// Asked of a person, who may skip.
	code, _, errs = callWith(answers+"what\nskip\n", append(args, "--case", "roll-enters")...)
	if code != exitDifferences {
		t.Errorf("exit code %d", code)
	}
	wants(t, errs, `^At the controller: `, `^Caution: `, `Type done, or skip: Type done, or skip: `, `not run +roll-enters`)

	if code, out, errs = callWith("", args...); code != exitFailed || out != "" {
		t.Errorf("nothing typed: exit code %d: %s%s", code, out, errs)
	}
}
