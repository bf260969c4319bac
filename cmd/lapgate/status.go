package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/gateway/present"
	"lapgate/gateway/report"
	"lapgate/gateway/status"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// watchEvery is the time between two looks where none is given.
const watchEvery = "2s"

// statusFlags are the flags of `status`.
type statusFlags struct {
	daemon daemonFlags
	line   string
	watch  string
	output outputFlags
}

func (p *program) statusCommand() *cobra.Command {
	var f statusFlags
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Show what the live page shows: the roll at the station and what to do",
		Long: `Status asks the running daemon and prints what its live page shows of each line:
what the roll at the station is and what a person has to do now, the active
conditions, the stand, the newest rolls and the recipe in force. It changes nothing.`,
		Example: `  lapgate status --config mill.yaml
  lapgate status --config mill.yaml --line north --watch`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.status(cmd.Context(), &f) },
	}
	f.daemon.add(cmd)
	addLine(cmd, &f.line, allLines)
	addWatch(cmd, &f.watch, "alone every two seconds, else as --watch=10s")
	cmd.Flags().Lookup("watch").NoOptDefVal = watchEvery
	f.output.add(cmd)
	return cmd
}

func (p *program) status(ctx context.Context, f *statusFlags) error {
	if f.watch == "" {
		return p.showStatus(ctx, f)
	}
	every, err := time.ParseDuration(f.watch)
	if err != nil || every < time.Second {
		return usageError("--watch: got %q, want a time of a second at least, as 10s", f.watch)
	}
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		if f.output.isText() && terminalWidth(p.stdout) > 0 {
			fmt.Fprint(p.stdout, "\x1b[H\x1b[2J")
		}
		if err := p.showStatus(ctx, f); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

func (p *program) showStatus(ctx context.Context, f *statusFlags) error {
	words, err := f.daemon.words(p)
	if err != nil {
		return err
	}
	reply, err := p.ask(ctx, &f.daemon, control.Request{Command: control.Status, Line: f.line, Program: !f.output.isText()})
	if err != nil {
		return err
	}
	var v status.View
	if err := json.Unmarshal(reply.Status, &v); err != nil {
		return fmt.Errorf("the daemon's status cannot be read, both programs should be of one version: %w", err)
	}
	if f.output.JSON {
		return p.printer(f.output, nil).Print(v)
	}
	if len(v.Lines) == 0 {
		return errors.New("the daemon serves no line")
	}
	if f.output.CSV {
		return p.printer(f.output, v.Lines[0].Writing()).Print(rollRows(v.Lines))
	}
	for i := range v.Lines {
		if i > 0 {
			fmt.Fprintln(p.stdout)
		}
		l := &v.Lines[i]
		out := p.printer(f.output, l.Writing())
		out.Words = words
		if err := out.Print(p.statusText(words, l)); err != nil {
			return err
		}
	}
	return nil
}

// rollRow is one of the last rolls of a line, in the one table of all lines.
type rollRow struct {
	Line string `json:"line"`
	status.RollRow
}

func rollRows(lines []status.LineView) []rollRow {
	out := []rollRow{}
	for i := range lines {
		for _, r := range lines[i].Rolls {
			out = append(out, rollRow{lines[i].Line, r})
		}
	}
	return out
}

// shownStatus is one line as a terminal shows it, in the order of the page.
type shownStatus struct {
	Line       string             `json:"line"`
	Writing    string             `json:"writing"`
	Link       string             `json:"link"`
	Onward     string             `json:"publication,omitempty" label:"sent onward"`
	Engine     string             `json:"engine,omitempty" label:"engine"`
	Pair       string             `json:"pair,omitempty" label:"in the pair"`
	At         time.Time          `json:"at" label:"as of"`
	Now        *shownNow          `json:"now" label:"now"`
	Conditions []status.Standing  `json:"conditions" label:"active conditions" print:"apart"`
	Roll       *status.RollAt     `json:"roll,omitempty" label:"roll at the station, or the newest"`
	Stand      []report.Candidate `json:"stand" label:"stand, for rolls like it"`
	Rolls      []status.RollRow   `json:"rolls" label:"last rolls"`
	Recipe     []shownSetting     `json:"recipe" label:"recipe in force"`
}

// shownNow is what a person reads first.
type shownNow struct {
	State   string      `json:"state"`
	Do      string      `json:"do"`
	Then    string      `json:"then,omitempty"` // the steps by hand after it
	Why     string      `json:"why,omitempty"`
	Where   string      `json:"where,omitempty" label:"the limit stands in"`
	Caution string      `json:"caution,omitempty"`
	Code    recipe.Code `json:"code,omitempty"`
	Notes   []string    `json:"notes,omitempty"`
}

// shownSetting is a setpoint without its formula.
type shownSetting struct {
	Station string `json:"station"`
	Label   string `json:"setpoint"`
	Text    string `json:"value"`
	Limit   string `json:"limit,omitempty"`
	Margin  string `json:"margin,omitempty"`
}

func (p *program) statusText(words *wording.Words, l *status.LineView) *shownStatus {
	n := &l.Now
	sign := ""
	if n.Need {
		sign = "▲ "
	}
	out := &shownStatus{
		Line: l.Line, Writing: present.Clean(l.ArmingWords(words, p.zone())), Link: l.LinkWords(words), Onward: present.Clean(l.OnwardWords(words)), Engine: present.Clean(l.EngineWords(words, p.zone())),
		Pair: present.Clean(l.PairWords(words, p.zone())), At: l.At,
		Now:        &shownNow{State: sign + n.State, Do: n.Do, Why: n.Why, Where: n.Where, Caution: n.Caution, Code: n.Code, Notes: n.Notes},
		Conditions: l.Standing, Roll: l.Roll, Stand: l.Stand, Rolls: l.Rolls,
	}
	out.Now.Then = strings.Join(n.Steps[min(1, len(n.Steps)):], " ")
	for _, s := range l.Settings {
		out.Recipe = append(out.Recipe, shownSetting{s.Station, s.Label, s.Text, s.Limit, s.Margin})
	}
	return out
}
