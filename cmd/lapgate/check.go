package main

import (
	"context"
	"errors"
	"fmt"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
)

// checkFlags are the flags of `check`.
type checkFlags struct {
	source               sourceFlags
	asJSON, values, live bool
	line                 string
	timeout              time.Duration
}

func (p *program) checkCommand() *cobra.Command {
	var f checkFlags
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Validate a configuration, and with --online compare it with the controllers",
		Long: `Check validates a configuration as run would, and reports every problem with
its place, what was got, what was wanted and the remedy. Exit code 3 when the
configuration is invalid.

With --online it then looks at the controller of each line, and writes nothing:
every block with its type, length and checksum, whether the clock moves, the
session and heartbeat, the numbers that must not go back, and the state of the
line. Of a controller with tags it first reads each tag: whether it is there, type
and access where the transport tells them, value in its unit and age, and the wide
numbers in every word order. Exit code 4 when a controller is not reachable, 5 when something differs.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			src, err := p.source(&f.source)
			if err != nil {
				return err
			}
			if src.Path == "" {
				return usageError("no configuration is named; give --config FILE or set %s", configVariable)
			}
			if f.asJSON {
				return p.checkJSON(cmd.Context(), src, &f)
			}
			s, err := p.loadSource(src)
			if err != nil {
				return err
			}
			if err := p.printChecked(s, f.values); err != nil || !f.live {
				return err
			}
			lines, err := f.lines(s)
			if err != nil {
				return err
			}
			looks := inspect.Lines(cmd.Context(), &p.connections, s, lines, f.timeout)
			p.printLooks(looks)
			return looksError(looks)
		},
	}
	f.source.add(cmd)
	cmd.Flags().BoolVar(&f.values, "values", false, "print every value in force and where it comes from")
	cmd.Flags().BoolVar(&f.asJSON, "json", false, "print JSON")
	cmd.Flags().BoolVar(&f.live, "online", false, "look at the live controllers too, read-only")
	cmd.Flags().StringVar(&f.line, "line", "", "with --online, only this line")
	cmd.Flags().DurationVar(&f.timeout, "timeout", 30*time.Second, "with --online, longest time for one controller")
	return cmd
}

// lines are those that --online looks at.
func (f *checkFlags) lines(s *config.Snapshot) ([]*config.Line, error) {
	if f.line != "" {
		l, err := lineNamed(s, f.line)
		return []*config.Line{l}, err
	}
	out := make([]*config.Line, len(s.Lines))
	for i := range s.Lines {
		out[i] = &s.Lines[i]
	}
	return out, nil
}

func (p *program) printChecked(s *config.Snapshot, values bool) error {
	if values {
		t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
		for _, v := range s.Effective() {
			fmt.Fprintf(t, "%s\t%s\t%s\n", v.Key, v.Value, v.Origin)
		}
		return t.Flush()
	}
	word := "lines"
	if len(s.Lines) == 1 {
		word = "line"
	}
	_, err := fmt.Fprintf(p.stdout, "%s: valid, %d %s, %d warnings, hash %08x\n", s.File, len(s.Lines), word, len(s.Warnings), s.Hash)
	return err
}

// checkJSON prints the verdict as JSON and leaves standard error empty.
func (p *program) checkJSON(ctx context.Context, src config.Source, f *checkFlags) error {
	out := struct {
		File     string               `json:"file"`
		Valid    bool                 `json:"valid"`
		Hash     string               `json:"hash,omitempty"`
		Problems []config.Problem     `json:"problems"`
		Warnings []config.Problem     `json:"warnings"`
		Values   []config.Value       `json:"values,omitempty"`
		Online   []inspect.LineReport `json:"online,omitempty"`
	}{File: src.Path, Problems: []config.Problem{}, Warnings: []config.Problem{}}
	s, err := config.Load(src)
	var refused *config.Error
	var verdict error
	switch {
	case errors.As(err, &refused):
		out.Problems = append(out.Problems, refused.Problems...)
		out.Warnings = append(out.Warnings, refused.Warnings...)
		verdict = &exitError{code: exitConfig}
	case err != nil:
		return err
	default:
		out.Valid = true
		out.Hash = fmt.Sprintf("%08x", s.Hash)
		out.Warnings = append(out.Warnings, s.Warnings...)
		if f.values {
			out.Values = s.Effective()
		}
		if f.live {
			lines, err := f.lines(s)
			if err != nil {
				return err
			}
			out.Online = inspect.Lines(ctx, &p.connections, s, lines, f.timeout)
			var e *exitError
			if errors.As(looksError(out.Online), &e) {
				verdict = &exitError{code: e.code}
			}
		}
	}
	if err := p.printJSON(out); err != nil {
		return err
	}
	return verdict
}
