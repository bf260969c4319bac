package main

import (
	"io"
	"strconv"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/present"
	"lapgate/recipe"
)

// outputFlags choose the form of what a command prints.
type outputFlags struct{ present.Form }

// add gives a command, whose arguments are set, the flags of its output.
func (f *outputFlags) add(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&f.JSON, "json", false, "print JSON: SI, the unit in each name; a list as one object a line")
	cmd.Flags().BoolVar(&f.CSV, "csv", false, "print CSV, in the units of the configuration")
	args := cmd.Args
	cmd.Args = func(cmd *cobra.Command, given []string) error {
		if f.JSON && f.CSV {
			return usageError("--json and --csv exclude each other; leave out one of them")
		}
		if args == nil {
			return nil
		}
		return args(cmd, given)
	}
}

// isText reports whether people read the output.
func (f *outputFlags) isText() bool { return f.Form == present.Form{} }

// printer makes the printer of a command. Without a line it prints in the units
// that a configuration has where it names none.
func (p *program) printer(f outputFlags, line *recipe.Line) *present.Printer {
	return p.printerTo(p.stdout, f, line)
}

// printerTo is a printer that writes elsewhere than to standard output.
func (p *program) printerTo(w io.Writer, f outputFlags, line *recipe.Line) *present.Printer {
	if line == nil {
		line = &recipe.Line{Units: config.DefaultUnits()}
	}
	out := present.New(w, line)
	out.Form, out.Zone, out.Width = f.Form, p.zone(), p.width()
	return out
}

// Widths of text in columns: where neither $COLUMNS nor a terminal tells of
// one, and the least that text is laid out for.
const (
	defaultWidth = 100
	leastWidth   = 20
)

func (p *program) width() int {
	if n, err := strconv.Atoi(p.getenv("COLUMNS")); err == nil && n > 0 {
		return max(n, leastWidth)
	}
	if n := terminalWidth(p.stdout); n > 0 {
		return max(n, leastWidth)
	}
	return defaultWidth
}
