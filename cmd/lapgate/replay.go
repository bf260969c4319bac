package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/present"
	"lapgate/gateway/replay"
	"lapgate/recipe"
	"lapgate/recipe/offline"
	"lapgate/recipe/problem"
	"lapgate/recipe/quantity"
)

// replayFlags are the flags of `replay`.
type replayFlags struct {
	from       journalFlags
	old        string
	outer      string
	show       int
	out        outputFlags
	outerGiven bool
	notice     bool
}

func (p *program) replayCommand() *cobra.Command {
	var f replayFlags
	cmd := &cobra.Command{
		Use:   "replay JOURNAL|CSV --config NEW",
		Short: "Show which recipes, holds and findings another configuration would change",
		Long: `Replay takes recorded rolls through another configuration and tells which
recipes, holds and findings change, and by how much. It talks to no controller.

The rolls are those of a journal, or of a CSV file as for the recipe command. A
journal holds each request whole, with what was offered for it: that is the old
side, unless --old names a configuration to compute it by. A CSV file holds no
recipes and needs --old.

Setpoints are compared as the controller gets them: a difference below the last
place on the wire is none. A recipe that a person chose is compared with --old
only. A hold that the controller itself gave cause for, as by a limit of its
own, stands on either side. --csv prints a line for each change of each roll.

With --notice it looks for faults of the process instead, in a journal: platens
that grow cold, feed counts that do not fit the turns, readings of the scale, a
position of the scanner, the caliper of a wrapper roll. Each is told with its
evidence, the rolls concerned and what to do. The tests are made for fewer than
one false finding in a thousand sound rolls. They cannot tell of a platen whose
sensor reads high, of damp paper, of a wrong wrapper of like mass and width, nor
of a pressure that the controller does not report.

Exit code 5 when anything changes, or a fault is found.`,
		Example: `  lapgate replay journal/north.db --config new.yaml
  lapgate replay --notice journal/north.db --config now.yaml
  lapgate replay journal/north.db --config now.yaml --set 'specs.0.layers=4'
  lapgate replay rolls.csv --old now.yaml --config new.yaml --csv`,
		Args: f.from.args(takes("one journal or CSV file")),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.outerGiven = cmd.Flags().Changed("outer")
			if f.notice {
				if err := f.noticeOnly(cmd.Flags().Changed); err != nil {
					return err
				}
			}
			return p.replay(cmd.Context(), args, &f)
		},
	}
	f.from.add(cmd, likeJournal)
	fl := cmd.Flags()
	fl.StringVar(&f.old, "old", "", "compute the old side by this configuration instead of taking what was recorded")
	fl.BoolVar(&f.notice, "notice", false, "look for faults of the process in a journal instead")
	addOuter(cmd, &f.outer, outerOffline)
	addShow(cmd, &f.show, 20)
	f.out.add(cmd)
	return cmd
}

// replayed are the journals that are replayed, none for a list of rolls.
func (p *program) replayed(ctx context.Context, args []string, f *replayFlags) (*journals, error) {
	if len(args) > 0 {
		is := false
		if args[0] != "-" {
			var err error
			if is, err = journal.IsJournal(args[0]); err != nil {
				return nil, unreadable(args[0], err)
			}
		}
		if !is {
			args = nil
		}
	}
	return p.openLine(ctx, args, &f.from)
}

func (p *program) replay(ctx context.Context, args []string, f *replayFlags) error {
	outer, err := p.replayUsage(f)
	if err != nil {
		return err
	}
	of, err := p.replayed(ctx, args, f)
	if err != nil {
		return err
	}
	defer of.close()
	path, journalled := of.names(), len(of.list) > 0
	if !journalled {
		path = args[0]
	}
	switch {
	case f.notice && !journalled:
		return usageError("%s is a list of rolls: faults of the process are found in a journal alone", path)
	case f.notice:
		return p.replayNotice(ctx, of, f)
	case !journalled && f.old == "":
		return usageError("%s is a list of rolls, without recipes to compare with: name the configuration that made them with --old", path)
	case journalled && f.outerGiven:
		return usageError("--outer is for a list of rolls, and %s is a journal, which tells what hung: leave it out", path)
	}
	about, now, before, err := p.replayLines(ctx, of, f)
	if err != nil {
		return err
	}
	about.Rolls = path
	run := func(each func(*replay.Difference) error) (replay.Summary, error) {
		r := replay.NewRun(now, before, each)
		var err error
		if journalled {
			err = p.scanRolls(ctx, of.list, time.Time{}, r.Roll)
		} else {
			err = p.replayList(r, path, now, before, outer)
		}
		if err != nil {
			return replay.Summary{}, err
		}
		return r.End()
	}
	out, err := replay.ReportOf(f.out.Form, about, now, f.show, run)
	if err != nil {
		return err
	}
	if err := p.printer(f.out, now).Print(out); err != nil {
		return err
	}
	if out.Summary.Changed > 0 {
		return &exitError{code: exitDifferences}
	}
	return nil
}

// replayUsage checks the flags and returns the outer diameter.
func (p *program) replayUsage(f *replayFlags) (float64, error) {
	var problems problem.List
	if f.show < 0 {
		problems.Flag("show", strconv.Itoa(f.show), fmt.Errorf("got %d, want 0 or more", f.show))
	}
	if !p.names(&f.from.source) {
		problems.Add(errors.New("name the new configuration with --config, or $" + configVariable))
	}
	outer, err := quantity.Parse(f.outer, quantity.Length)
	problems.Flag("outer", f.outer, err)
	if err := problems.Err(); err != nil {
		return 0, usageError("%w", err)
	}
	return outer, nil
}

// replayLines reads the configurations; before is nil where the record is the
// old side.
func (p *program) replayLines(ctx context.Context, of *journals, f *replayFlags) (about *replay.About, now, before *recipe.Line, err error) {
	snapshot, line, err := of.config(ctx, p)
	if err != nil {
		return nil, nil, nil, err
	}
	about = &replay.About{Line: line.Recipe.Name, Config: snapshot.File, Hash: handshake.ConfigHash(snapshot.Hash), Old: f.old}
	if f.old == "" {
		return about, line.Recipe, nil, nil
	}
	old, err := p.load(&sourceFlags{path: f.old})
	if err != nil {
		return nil, nil, nil, err
	}
	oldLine, err := of.lineIn(ctx, old)
	if err != nil {
		return nil, nil, nil, err
	}
	hash := handshake.ConfigHash(old.Hash)
	about.OldHash = &hash
	return about, line.Recipe, oldLine.Recipe, nil
}

// replayList replays a list of rolls, each without one before it.
func (p *program) replayList(r *replay.Run, path string, now, before *recipe.Line, outer float64) error {
	rolls, err := p.rolls(path, &now.Materials, &before.Materials)
	if err != nil {
		return err
	}
	stand, oldStand := offline.Stand(now, outer), offline.Stand(before, outer)
	bar := present.NewProgress(p.stderr, "rolls replayed")
	defer bar.Clear()
	n := 0
	for row, err := range rolls {
		if err != nil {
			return err
		}
		row.Platens.On(&stand)
		row.Platens.On(&oldStand)
		if err := r.Pair(replay.CaseOf(row.Rolls[0], stand), replay.CaseOf(row.Rolls[1], oldStand)); err != nil {
			return err
		}
		n++
		bar.At(n)
	}
	return nil
}
