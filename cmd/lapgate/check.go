package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/recipe/caution"
)

// checkFlags are the flags of `check`.
type checkFlags struct {
	source  sourceFlags
	output  outputFlags
	live    bool
	line    string
	timeout time.Duration
}

func (p *program) checkCommand() *cobra.Command {
	var f checkFlags
	cmd := &cobra.Command{
		Use:   "check [FILE]",
		Short: "Validate a configuration, and with --online compare it with the controllers",
		Long: `Check validates a configuration as run would, and reports every problem with
its place, what was got, what was wanted and the remedy. Exit code 3 when the
configuration is invalid. The command config prints every value in force.

What must be measured before a line may be armed is open as long as it is not: each
such value is listed with how it is measured, and the exit code is 5.

With --online it then looks at the controller of each line, and writes nothing:
every block with its type, length and checksum, whether the clock moves, the
session and heartbeat, the numbers that must not go back, and the state of the
line. Of a controller with tags it first reads each tag: whether it is there, type
and access where the transport tells them, value in its unit and age, and the wide
numbers in every word order. Exit code 4 when a controller is not reachable, 5 when
something differs.`,
		Example: `  lapgate check mill.yaml
  lapgate check mill.yaml --online --line north`,
		Args: mayTake("one configuration file at most"),
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, name := range []string{"line", "timeout"} {
				if cmd.Flags().Changed(name) && !f.live {
					return usageError("--%s goes with --online", name)
				}
			}
			src, err := p.namedSource(&f.source, args)
			if err != nil {
				return err
			}
			return p.check(cmd.Context(), src, &f)
		},
	}
	f.source.add(cmd)
	f.output.add(cmd)
	cmd.Flags().BoolVar(&f.live, "online", false, "look at the live controllers too, read-only")
	addLine(cmd, &f.line, allLines)
	addTimeout(cmd, &f.timeout, 30*time.Second)
	return cmd
}

// checked is what check prints. As text the problems and warnings are messages.
type checked struct {
	Summary    string               `json:"summary" label:""`
	File       string               `json:"file" label:"-"`
	Valid      bool                 `json:"valid" label:"-"`
	Hash       string               `json:"hash,omitempty" label:"-"`
	Problems   []problemRow         `json:"problems" label:"-" print:"csv"`
	Warnings   []problemRow         `json:"warnings" label:"-"`
	Unmeasured []problemRow         `json:"unmeasured" label:"-"`
	Open       []problemRow         `json:"open" label:"-"`
	Online     []inspect.LineReport `json:"online,omitempty" label:"controllers" print:"apart"`
}

// problemRow is a problem by its parts.
type problemRow config.Problem

func problemRows(problems []config.Problem) []problemRow {
	out := make([]problemRow, len(problems))
	for i, p := range problems {
		out[i] = problemRow(p)
	}
	return out
}

func (p *program) check(ctx context.Context, src config.Source, f *checkFlags) error {
	s, err := config.Load(src)
	text := !f.output.JSON && !f.output.CSV
	var refused *config.Error
	switch {
	case err != nil && (text || !errors.As(err, &refused)):
		return invalid(err)
	case err != nil:
		out := checked{File: src.Path, Problems: problemRows(refused.Problems), Warnings: problemRows(refused.Warnings), Unmeasured: problemRows(nil), Open: problemRows(nil)}
		out.Summary = fmt.Sprintf("%s: invalid, %s", src.Path, plural(len(out.Problems), "problem"))
		return errors.Join(p.printer(f.output, nil).Print(out), &exitError{code: exitConfig})
	}
	s.Warnings = append(s.Warnings, portTaken(ctx, s)...)
	out := checked{
		File: s.File, Valid: true, Hash: handshake.ConfigHash(s.Hash).String(),
		Problems: problemRows(nil), Warnings: problemRows(s.Warnings), Unmeasured: problemRows(s.Unmeasured), Open: problemRows(s.Open),
	}
	out.Summary = fmt.Sprintf("%s: valid, %s, %s, hash %s", s.File, plural(len(s.Lines), "line"), plural(len(s.Warnings), "warning"), out.Hash)
	if f.live {
		lines, err := linesNamed(s, f.line)
		if err != nil {
			return err
		}
		out.Online = inspect.Lines(ctx, &p.connections, s, lines, f.timeout)
	}
	seen := onlineError(out.Online)
	if seen == nil && len(s.Open) > 0 {
		seen = &exitError{exitDifferences, fmt.Errorf("%s: no line may be armed before %s measured", s.File, thatAre(len(s.Open)))}
	}
	if text {
		p.warn(s)
		for _, m := range s.Unmeasured {
			fmt.Fprintf(p.stderr, "not measured: %s\n", m)
		}
		p.tellOpen(s)
	} else if seen != nil {
		seen = &exitError{code: exitCodeOf(seen)} // the value tells what was seen
	}
	if err := p.printer(f.output, s.Lines[0].Recipe).Print(out); err != nil {
		return err
	}
	return seen
}

// thatAre counts open values in words.
func thatAre(n int) string {
	if n == 1 {
		return "1 open value is"
	}
	return fmt.Sprintf("%d open values are", n)
}

// tellOpen lists what is to be measured, and how.
func (p *program) tellOpen(s *config.Snapshot) {
	for _, m := range s.Open {
		fmt.Fprintf(p.stderr, "open: %s\n", m)
	}
	if len(s.Open) > 0 {
		fmt.Fprintln(p.stderr, folded(caution.ReachIn)+"\n"+folded(caution.NipPoints)+"\n"+folded(caution.Press))
	}
}

// portTaken warns of a status page that could not listen now. No more than that: the
// daemon of this very configuration may be what listens there.
func portTaken(ctx context.Context, s *config.Snapshot) []config.Problem {
	if s.Status.Off() {
		return nil
	}
	var c net.ListenConfig
	l, err := c.Listen(ctx, "tcp", s.Status.Listen)
	if err == nil {
		_ = l.Close() // nothing was served
		return nil
	}
	return []config.Problem{{File: s.File, Key: "status.listen", Text: "the status page cannot listen there now", Got: err.Error(), Want: "a port that is free",
		Remedy: "nothing is wrong if the daemon of this configuration runs; else give the page another port"}}
}

// onlineError is the exit of a look at the controllers: nil when nothing failed.
func onlineError(lines []inspect.LineReport) error {
	code, failed, away := exitDifferences, []string{}, []string{}
	for i := range lines {
		switch {
		case lines[i].Unreachable:
			away, code = append(away, lines[i].Line), exitUnreachable
		case len(lines[i].Failed()) > 0:
			failed = append(failed, lines[i].Line)
		}
	}
	var text []string
	if len(failed) > 0 {
		text = append(text, "not as configured: line "+strings.Join(failed, ", "))
	}
	if len(away) > 0 {
		text = append(text, "controller not reachable: line "+strings.Join(away, ", "))
	}
	if len(text) == 0 {
		return nil
	}
	return &exitError{code, errors.New(strings.Join(text, "; "))}
}
