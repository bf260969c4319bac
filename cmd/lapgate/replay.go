package main

import (
	"context"
	"errors"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/recipe"
	"lapgate/recipe/offline"
	"lapgate/recipe/quantity"
)

// replayFlags are the flags of `replay`.
type replayFlags struct {
	source        sourceFlags
	old           string
	line          string
	outer         string
	show          int
	asJSON, asCSV bool
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
own, stands on either side. --csv and --json give values in the units of the
register map.

Exit code 5 when anything changes.`,
		Example: `  lapgate replay journal/north.db --config new.yaml
  lapgate replay journal/north.db --config now.yaml --set 'specs.0.layers=4'
  lapgate replay rolls.csv --old now.yaml --config new.yaml --csv`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 {
				return usageError("%s takes one journal or CSV file, got %d arguments", cmd.CommandPath(), len(args))
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return p.replay(cmd.Context(), args[0], &f) },
	}
	f.source.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.old, "old", "", "compute the old side by this configuration instead of taking what was recorded")
	fl.StringVar(&f.line, "line", "", "the line of the configuration (default the one that the journal is named after, else the first)")
	fl.StringVar(&f.outer, "outer", "1 m", "outer diameter of the wrapper rolls on the stand, for a CSV file")
	fl.IntVar(&f.show, "rolls", 20, "show at most so many changed rolls as text")
	fl.BoolVar(&f.asJSON, "json", false, "print JSON: every changed roll, and the summary")
	fl.BoolVar(&f.asCSV, "csv", false, "print CSV: a line for each change of each roll")
	return cmd
}

// replaying is one replay under way.
type replaying struct {
	now, before *recipe.Line // before is nil where the record is the old side
	hash        replay.ConfigHash
	oldHash     replay.ConfigHash
	tally       *replay.Tally
	comparer    *replay.Comparer
	out         replayOutput
	batch       []trial
}

// trial is one case as each configuration sees it: the codes of a list of
// rolls are the configuration's own.
type trial struct {
	now, before *replay.Case
	skip        bool
	unknown     bool // the record does not tell enough
	diff        replay.Difference
	err         error
}

// replayOutput takes the differences in the order of the rolls, then the
// summary.
type replayOutput interface {
	add(*replay.Difference) error
	end(*replay.Summary) error
}

func (p *program) replay(ctx context.Context, path string, f *replayFlags) error {
	outer, err := p.replayUsage(f)
	if err != nil {
		return err
	}
	journalled := false
	if path != "-" {
		if journalled, err = journal.IsJournal(path); err != nil {
			return err
		}
	}
	if !journalled && f.old == "" {
		return usageError("%s is a list of rolls, without recipes to compare with: name the configuration that made them with --old", path)
	}
	snapshot, err := p.load(&f.source)
	if err != nil {
		return err
	}
	line, err := lineFor(snapshot, f.line, path)
	if err != nil {
		return err
	}
	r := &replaying{now: line.Recipe, hash: replay.ConfigHash(snapshot.Hash), tally: replay.NewTally(), comparer: replay.NewComparer()}
	if f.old != "" {
		old, err := p.load(&sourceFlags{path: f.old})
		if err != nil {
			return err
		}
		oldLine, err := lineFor(old, f.line, path)
		if err != nil {
			return err
		}
		r.before, r.oldHash = oldLine.Recipe, replay.ConfigHash(old.Hash)
	}
	about := replayAbout{Rolls: path, Config: snapshot.File, Hash: r.hash, Line: line.Recipe.Name, Old: f.old}
	if f.old != "" {
		about.OldHash = &r.oldHash
	}
	switch {
	case f.asJSON:
		if r.out, err = newReplayJSON(p.stdout, &about); err != nil {
			return err
		}
	case f.asCSV:
		r.out = newReplayCSV(p.stdout)
	default:
		r.out = &replayText{w: p.stdout, about: &about, line: line.Recipe, most: f.show}
	}
	if journalled {
		err = r.journal(ctx, path, p)
	} else {
		err = r.list(path, outer, p)
	}
	if err != nil {
		return err
	}
	sum := r.tally.Summary()
	if err := r.out.end(&sum); err != nil {
		return err
	}
	if sum.Changed > 0 {
		return &exitError{code: exitDifferences}
	}
	return nil
}

// replayUsage checks the flags and returns the outer diameter.
func (p *program) replayUsage(f *replayFlags) (float64, error) {
	var problems []error
	if f.asCSV && f.asJSON {
		problems = append(problems, errors.New("--csv and --json exclude each other"))
	}
	if f.show < 0 {
		problems = append(problems, errors.New("--rolls: want 0 or more"))
	}
	if f.source.path == "" && p.getenv(configVariable) == "" {
		problems = append(problems, errors.New("name the new configuration with --config, or $"+configVariable))
	}
	outer, err := quantity.Parse(f.outer, quantity.Length)
	if err != nil {
		problems = append(problems, errors.New("--outer: "+err.Error()))
	}
	if len(problems) > 0 {
		return 0, usageError("%w", errors.Join(problems...))
	}
	return outer, nil
}

// lineFor returns the line named, else the one that a journal is named after,
// else the first.
func lineFor(s *config.Snapshot, name, path string) (*config.Line, error) {
	if name == "" {
		stem := strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
		for i := range s.Lines {
			if s.Lines[i].Recipe.Name == stem {
				return &s.Lines[i], nil
			}
		}
	}
	return lineNamed(s, name)
}

// journal replays the requests of a journal.
func (r *replaying) journal(ctx context.Context, path string, p *program) error {
	err := p.scanRolls(ctx, path, func(roll *record.Roll) error {
		cases, err := replay.Cases(roll)
		if err != nil {
			return err
		}
		for _, c := range cases {
			r.tally.See(c)
			if err := r.put(trial{now: c, before: c, skip: r.before == nil && (c.Recorded == nil || c.Override)}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return r.flush()
}

// list replays a list of rolls, each without one before it.
func (r *replaying) list(path string, outer float64, p *program) error {
	rolls, err := p.rolls(path, &r.now.Materials, &r.before.Materials)
	if err != nil {
		return err
	}
	stand, oldStand := offline.Stand(r.now, outer), offline.Stand(r.before, outer)
	bar := newProgress(p.stderr, "rolls replayed")
	defer bar.clear()
	n := 0
	for roll, err := range rolls {
		if err != nil {
			return err
		}
		t := trial{
			now:    replay.CaseOf(roll[0], stand),
			before: replay.CaseOf(roll[1], oldStand),
		}
		r.tally.See(t.now)
		if err := r.put(t); err != nil {
			return err
		}
		n++
		bar.at(n)
	}
	return r.flush()
}

// replayBatch is how many cases are decided at a time.
const replayBatch = 2048

func (r *replaying) put(t trial) error {
	r.batch = append(r.batch, t)
	if len(r.batch) < replayBatch {
		return nil
	}
	return r.flush()
}

// flush decides the cases at hand in parallel and adds them up in their order.
func (r *replaying) flush() error {
	var group sync.WaitGroup
	workers := min(runtime.GOMAXPROCS(0), len(r.batch))
	for w := range workers {
		group.Go(func() {
			for i := w; i < len(r.batch); i += workers {
				if t := &r.batch[i]; !t.skip {
					t.err = t.decide(r.now, r.before, r.comparer)
				}
			}
		})
	}
	group.Wait()
	for i := range r.batch {
		t := &r.batch[i]
		switch {
		case t.err != nil:
			return t.err
		case t.skip:
			r.tally.Skip(t.now)
			continue
		case t.unknown:
			r.tally.SkipUnknown()
			continue
		}
		r.tally.Add(&t.diff)
		if t.diff.Any() {
			if err := r.out.add(&t.diff); err != nil {
				return err
			}
		}
	}
	clear(r.batch)
	r.batch = r.batch[:0]
	return nil
}

// decide decides by the configuration now in hand, and by the one before where
// that is not nil, and compares.
func (t *trial) decide(now, before *recipe.Line, m *replay.Comparer) error {
	after, known, err := replay.Decide(now, t.now)
	if err != nil {
		return err
	}
	old := t.before.Recorded
	if before != nil {
		var also bool
		if old, also, err = replay.Decide(before, t.before); err != nil {
			return err
		}
		known = known && also
	}
	if t.unknown = !known; known {
		t.diff = m.Compare(t.now, old, after)
	}
	return nil
}
