package main

import (
	"io"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// aFlag is a flag of one command.
type aFlag struct {
	command string // without the name of the program
	*pflag.Flag
}

// allFlags lists the flags of every command, but for help.
func allFlags() []aFlag {
	p := &program{stdin: strings.NewReader(""), stdout: io.Discard, stderr: io.Discard}
	var out []aFlag
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			_, command, _ := strings.Cut(c.CommandPath(), " ")
			out = append(out, aFlag{command, f})
		})
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(p.root())
	return out
}

// TestOneMeaningPerFlag holds each flag to one type, one letter and one usage
// text over the whole program. Only the default may differ by command.
func TestOneMeaningPerFlag(t *testing.T) {
	meaning := func(f aFlag) string {
		text, _, _ := strings.Cut(f.Usage, " (default")
		return f.Value.Type() + ", -" + f.Shorthand + ": " + text
	}
	first := map[string]aFlag{}
	for _, f := range allFlags() {
		other, seen := first[f.Name]
		if !seen {
			first[f.Name] = f
			continue
		}
		if got, want := meaning(f), meaning(other); got != want {
			t.Errorf("--%s of %q is %q, and of %q %q: give one of them another name, or both one meaning", f.Name, f.command, got, other.command, want)
		}
	}
	if len(first) < 60 {
		t.Errorf("only %d flags seen", len(first))
	}
}
