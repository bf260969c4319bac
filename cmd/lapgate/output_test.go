package main

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"github.com/spf13/cobra"
)

// Width and zone of what is printed are those of the person at the terminal.
func TestPrinterIsOfThePerson(t *testing.T) {
	var out bytes.Buffer
	p := &program{env: []string{"COLUMNS=33", "TZ=Asia/Tokyo"}, stdout: &out}
	if w := p.printer(outputFlags{}, nil); w.Width != 33 || w.Zone.String() != "Asia/Tokyo" {
		t.Errorf("prints %d columns in the zone %v", w.Width, w.Zone)
	}
	p.env = []string{"COLUMNS=3", "TZ=Nowhere/None"}
	if w := p.printer(outputFlags{}, nil); w.Width != leastWidth || w.Zone != time.Local {
		t.Errorf("prints %d columns in the zone %v", w.Width, w.Zone)
	}
	p.env = nil
	if w := p.printer(outputFlags{}, nil); w.Width != defaultWidth {
		t.Errorf("prints %d columns", w.Width)
	}
}

// Both forms at once are wrong usage, found before the command begins.
func TestOutputFlags(t *testing.T) {
	for _, c := range []struct {
		args []string
		want int
	}{{[]string{"--json"}, 0}, {[]string{"--csv"}, 0}, {[]string{"--json", "--csv"}, exitUsage}, {[]string{"--json", "more"}, exitFailed}} {
		var f outputFlags
		ran := false
		cmd := &cobra.Command{Args: cobra.NoArgs, SilenceErrors: true, SilenceUsage: true, RunE: func(*cobra.Command, []string) error { ran = true; return nil }}
		f.add(cmd)
		cmd.SetArgs(c.args)
		err := cmd.Execute()
		var e *exitError
		code := 0
		if errors.As(err, &e) {
			code = e.code
		} else if err != nil {
			code = exitFailed
		}
		if code != c.want || ran != (err == nil) {
			t.Errorf("%v: exit code %d, ran %v, want %d", c.args, code, ran, c.want)
		}
	}
}
