package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/gateway/lease"
	"lapgate/gateway/present"
	"lapgate/gateway/status"
	"lapgate/recipe/wording"
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
	Line      string         `json:"line"`
	Machine   string         `json:"machine"`
	Role      string         `json:"role" print:"words=pair.role"`
	Since     time.Time      `json:"since"`
	Lease     uint32         `json:"lease"`
	Why       wording.Phrase `json:"why"`
	Armed     bool           `json:"armed"`
	TakesOver bool           `json:"takes_over_armed"`
	Other     wording.Phrase `json:"other" label:"other machine"`
	OtherSays wording.Phrase `json:"other_says"`
	Untold    []string       `json:"not_told" label:"not told yet" print:"words=pair.untold"`
	Takeover  wording.Phrase `json:"takeover" label:"a takeover would lose"`
}

// untoldNothing stands where the other machine was told of everything.
const untoldNothing = "nothing"

func (p *program) pair(ctx context.Context, f *daemonFlags, line string, out outputFlags) error {
	words, err := f.words(p)
	if err != nil {
		return err
	}
	reply, err := p.ask(ctx, f, control.Request{Command: control.Pair, Line: line})
	if err != nil {
		return err
	}
	print := p.printer(out, nil)
	print.Words = words
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
	out := &shownPair{
		Line: l.Line, Machine: l.Machine, Role: l.Role, Since: l.Since, Lease: l.Lease, Armed: l.Armed, TakesOver: l.TakesOver,
		Why: wording.Phrase{Said: whyOf(l)}, Other: wording.Phrase{Said: status.OtherOf(l.Other, l.OtherThere)},
		OtherSays: wording.Phrase{Said: saidBy(l)}, Untold: l.Untold, Takeover: wording.Phrase{Said: lossOf(l)},
	}
	if len(out.Untold) == 0 {
		out.Untold = []string{untoldNothing}
	}
	return out
}

// whyOf says why the machine acts or does not.
func whyOf(l *control.PairLine) wording.Said {
	switch {
	case l.Acts && l.Silent != "" && l.Holder != l.Machine:
		return wording.Say("pair.why.hand", "why", l.Silent)
	case l.Acts && l.Silent != "":
		return wording.Say("pair.why.unproven", "why", l.Silent)
	case l.Acts:
		return wording.Say("pair.why.holds", "machine", l.Machine)
	case l.Role == lease.Fenced.String():
		return wording.Say("pair.why.fenced")
	case l.Silent != "":
		return wording.Say("pair.why.silent", "why", l.Silent)
	case !l.Armed:
		return wording.Say("pair.why.shadow")
	}
	return wording.Say("pair.why.holds", "machine", status.HolderOf(l.Holder))
}

// saidBy is what the other machine told of the line last.
func saidBy(l *control.PairLine) wording.Said {
	role := wording.Word("pair.role", l.OtherRole)
	switch {
	case l.OtherRole == "":
		return wording.Word("pair.untold", untoldNothing)
	case l.OtherTakesOver:
		return wording.Say("pair.says.over", "state", role)
	case l.OtherArmed:
		return wording.Say("pair.says.alone", "state", role)
	}
	return wording.Say("pair.says.shadow", "state", role)
}

// lossOf is what would be out of reach if the machine that acts were lost now.
func lossOf(l *control.PairLine) wording.Said {
	machine, written, arrived := l.Machine, l.Records, l.Arrived
	if !l.Acts {
		machine, written, arrived = l.Other, l.OtherRecords, l.OtherArrived
	}
	switch {
	case machine == "":
		return wording.Say("pair.loss.unseen")
	case l.Silent != "":
		return wording.Say("pair.loss.silent", "machine", machine, "number", written)
	case arrived == 0:
		return wording.Say("pair.loss.all", "machine", machine, "count", written)
	case arrived >= written:
		return wording.Say("pair.loss.nothing", "machine", machine)
	}
	return wording.Say("pair.loss.some", "machine", machine, "count", written-arrived, "number", arrived)
}
