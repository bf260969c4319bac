package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/gateway/present"
)

func (p *program) pairCommand() *cobra.Command {
	var f daemonFlags
	var line string
	var out outputFlags
	cmd := &cobra.Command{
		Use:   "pair",
		Short: "Show which of two machines acts on each line, and what a takeover would lose",
		Long: `Pair asks the running daemon of one machine which of the two acts on each line, since
when and by which lease, whether the other one is there and would take over armed, and
what is not in the engine yet: the records that nobody could read if the machine that
acts were lost now. "Not told yet" are holds and disarmings that the other machine has
not taken; it is told as soon as it can be, over restarts too. It changes nothing.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.pair(cmd.Context(), &f, line, out) },
	}
	f.add(cmd)
	addLine(cmd, &line, allLines)
	out.add(cmd)
	return cmd
}

// shownPair is a line of a pair as a terminal shows it.
type shownPair struct {
	Line      string    `json:"line"`
	Machine   string    `json:"machine"`
	Role      string    `json:"role"`
	Since     time.Time `json:"since"`
	Lease     uint32    `json:"lease"`
	Why       string    `json:"why"`
	Armed     bool      `json:"armed"`
	TakesOver bool      `json:"takes_over_armed"`
	Other     string    `json:"other" label:"other machine"`
	OtherSays string    `json:"other_says"`
	Untold    string    `json:"not_told" label:"not told yet"`
	Takeover  string    `json:"takeover" label:"a takeover would lose"`
}

func (p *program) pair(ctx context.Context, f *daemonFlags, line string, out outputFlags) error {
	reply, err := p.ask(ctx, f, control.Request{Command: control.Pair, Line: line})
	if err != nil {
		return err
	}
	print := p.printer(out, nil)
	if out.JSON {
		return print.Print(reply.Pair)
	}
	shown := make([]*shownPair, len(reply.Pair))
	for i := range reply.Pair {
		shown[i] = shownPairOf(&reply.Pair[i])
	}
	return print.Print(present.Apart(shown))
}

func shownPairOf(l *control.PairLine) *shownPair {
	return &shownPair{
		Line: l.Line, Machine: present.Clean(l.Machine), Role: l.Role, Since: l.Since, Lease: l.Lease, Armed: l.Armed, TakesOver: l.TakesOver,
		Why: present.Clean(whyOf(l)), Other: present.Clean(otherOf(l)), OtherSays: present.Clean(saidBy(l)), Untold: untoldOf(l), Takeover: present.Clean(lossOf(l)),
	}
}

// whyOf says why the machine acts or does not.
func whyOf(l *control.PairLine) string {
	switch {
	case l.Acts && l.Silent != "":
		return "it held the lease when the engine was heard last, and silence is no evidence: " + l.Silent
	case l.Acts:
		return "it holds the lease"
	case l.Silent != "":
		return "it stands by, and never acts on the silence of the engine: " + l.Silent
	case !l.Armed:
		return "the line is in shadow here; a line in shadow holds no lease"
	case l.Holder == "":
		return "nobody holds the lease"
	}
	return l.Holder + " holds the lease"
}

func otherOf(l *control.PairLine) string {
	switch {
	case l.Other == "":
		return "none was seen"
	case l.OtherThere:
		return l.Other + ", there"
	}
	return l.Other + ", not there"
}

// saidBy is what the other machine told of the line last.
func saidBy(l *control.PairLine) string {
	switch {
	case l.Other == "":
		return "nothing"
	case l.OtherTakesOver:
		return l.OtherRole + ", armed, takes over armed"
	case l.OtherArmed:
		return l.OtherRole + ", armed on its own, takes over nothing"
	}
	return l.OtherRole + ", in shadow, takes over nothing"
}

// untoldOf is what was done here and the other machine was not told of yet.
func untoldOf(l *control.PairLine) string {
	if len(l.Untold) == 0 {
		return "nothing"
	}
	return strings.Join(l.Untold, ", ")
}

// lossOf is what would be out of reach if the machine that acts were lost now.
func lossOf(l *control.PairLine) string {
	machine, written, arrived := l.Machine, l.Records, l.Arrived
	if !l.Acts {
		machine, written, arrived = l.Other, l.OtherRecords, l.OtherArrived
	}
	switch {
	case machine == "":
		return "not known: no other machine was seen"
	case l.Silent != "":
		return fmt.Sprintf("not known while the engine is silent; %s had %d records", machine, written)
	case arrived == 0:
		return fmt.Sprintf("all %d records of %s: the engine has none of its journal", written, machine)
	case arrived >= written:
		return "nothing: the engine has every record of " + machine
	}
	return fmt.Sprintf("%d records of %s, those after %d, until its journal is read again", written-arrived, machine, arrived)
}
