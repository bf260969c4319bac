package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe/quantity"
)

// whyFlags are the flags of `why`.
type whyFlags struct {
	from   journalFlags
	output outputFlags
}

func (p *program) whyCommand() *cobra.Command {
	var f whyFlags
	cmd := &cobra.Command{
		Use:   "why TAG [JOURNAL]",
		Short: "Tell all of one roll: why it was held, or got what it got",
		Long: `Why reads the journal and tells the newest roll of that tag, or of that number:
its scan, each wrapper roll of the stand and why it was not taken, every setpoint
with formula, limit and margin, the chances of a bad wrap, what passed between
gateway and controller, its outcome and scale, and what was changed before it. The
live page tells the same of the newest rolls, for printing on one sheet.

Candidates, formulas, limits and margins are computed again by the configuration
named; without one only what the journal holds is told. Where no journal is named it is
that of the line. With --engine the roll is looked for in all journals of the mill there,
or of one line, and told by whichever machines of a pair served it; of what was changed
before it, the weeks before are told.`,
		Example: `  lapgate why R-1041 --config mill.yaml
  lapgate why 1041 journal/north.db
  lapgate why R-1041 --engine --config mill.yaml`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 1 || len(args) > 2 {
				return usageError("lapgate why takes the tag or the number of one roll, and a journal where it is not that of the line, got %d arguments", len(args))
			}
			return f.from.args(cobra.ArbitraryArgs)(cmd, args[1:])
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.from.engine {
				return p.whyThere(cmd.Context(), &f, args[0])
			}
			path := ""
			if len(args) > 1 {
				path = args[1]
			}
			return p.why(cmd.Context(), &f, args[0], path)
		},
	}
	f.from.add(cmd, everyLine)
	f.output.add(cmd)
	return cmd
}

// mostTags is among how many tags, the newest, the one that was meant is looked for.
const mostTags = 5000

// wanted is a roll by its tag or its number.
type wanted struct {
	tag    string
	number uint32 // 0 where the text is none
}

func wantedOf(text string) wanted {
	n, err := strconv.ParseUint(text, 10, 32)
	if err != nil {
		n = 0
	}
	return wanted{text, uint32(n)}
}

func (w wanted) is(r *record.Roll) bool {
	return r.Tag == w.tag || w.number != 0 && r.Number == w.number
}

func (p *program) why(ctx context.Context, f *whyFlags, name, path string) error {
	t, path, err := p.whySource(ctx, f, path)
	if err != nil {
		return err
	}
	of := wantedOf(name)
	var tags []string // of other rolls
	fold := record.Recent{Want: func(r *record.Roll) bool {
		tags = append(tags[max(0, len(tags)-mostTags):], r.Tag)
		return of.is(r)
	}}
	if err := p.scan(ctx, fileSource(path), journal.Part{}, fold.Add); err != nil {
		return err
	}
	t.Newest = fold.Newest()
	if len(t.Newest.Rolls) == 0 {
		slices.Reverse(tags) // the newest is the likeliest
		pairs := []any{"name", path, "what", strconv.Quote(name), "command", "lapgate journal list " + path}
		if near := quantity.Nearest(name, tags); near != "" {
			return errors.New(t.Words.Of("why.none.near", append(pairs, "tag", near)...))
		}
		return errors.New(t.Words.Of("why.none", pairs...))
	}
	return p.tellWhy(f, t)
}

// tellWhy prints the newest of the rolls that were found.
func (p *program) tellWhy(f *whyFlags, t report.Told) error {
	t.Roll = t.Newest.Rolls[len(t.Newest.Rolls)-1]
	words := t.Words
	if !f.output.isText() { // programs read English
		t.Words = nil
	}
	story, err := report.StoryOf(t)
	if err != nil {
		return err
	}
	if n := len(t.Newest.Rolls); n > 1 {
		fmt.Fprintln(p.stderr, words.Of("why.several", "count", n, "number", t.Roll.Number))
	}
	out := p.printer(f.output, t.Line)
	out.Words = t.Words
	return out.Print(story)
}

// afterRoll is how many records behind the newest that names a roll are read for its end:
// no more than 64 rolls are under way at once.
const afterRoll = 2048

// whyThere tells of a roll from what has arrived in the engine, by whichever machines
// served it. The records around it are read, and not the whole journals.
func (p *program) whyThere(ctx context.Context, f *whyFlags, name string) error {
	s, r, err := p.reading(ctx, &f.from.source)
	if err != nil {
		return err
	}
	defer r.Close()
	choice, of := f.from.choice(f.from.line), wantedOf(name)
	found, err := r.FindRoll(ctx, choice, name, of.number)
	if err != nil {
		return err
	}
	for _, at := range found {
		t := report.Told{Words: s.Words}
		if line, err := lineNamed(s, at.Journal.Line); err == nil && at.Journal.Mill == s.Engine.Mill {
			t = toldBy(s, line)
		}
		parts, err := whyParts(ctx, r, engine.Choice{Mill: at.Journal.Mill, Line: at.Journal.Line, Machine: choice.Machine}, at)
		if err != nil {
			return err
		}
		if t.Newest, t.Of, err = p.foldParts(ctx, parts, of.is); err != nil {
			return err
		}
		if len(t.Newest.Rolls) > 0 {
			for _, part := range parts {
				fmt.Fprintln(p.stderr, t.Words.Of("why.arrived", "name", part.name, "number", part.chain.Head.Seq))
			}
			return p.tellWhy(f, t)
		}
	}
	tags, err := r.NewestTags(ctx, choice, mostTags)
	if near := quantity.Nearest(name, tags); near != "" {
		return errors.Join(err, errors.New(s.Words.Of("why.awaited.near", "what", strconv.Quote(name), "tag", near)))
	}
	return errors.Join(err, errors.New(s.Words.Of("why.awaited", "what", strconv.Quote(name), "command", "lapgate why")))
}

// whyPart is a part of a journal that tells of a roll.
type whyPart struct {
	journalSource
	journal.Part
}

// whyParts are the parts of the journals of a line that tell of a roll that was found in
// one of them: an outcome has no tag, and stands perhaps in another.
func whyParts(ctx context.Context, r *engine.Reading, choice engine.Choice, at engine.Found) (out []whyPart, err error) {
	also, err := r.FindRoll(ctx, choice, "", at.Roll)
	if err != nil {
		return nil, err
	}
	found := []engine.Found{at}
	for _, f := range also {
		if !slices.ContainsFunc(found, func(x engine.Found) bool { return x.Journal.Genesis == f.Journal.Genesis }) {
			found = append(found, f)
		}
	}
	for _, f := range found {
		one := engineSource(r, f.Journal)
		var lead uint64
		if err := one.read(ctx, func(r *journal.Reader) (err error) { lead, err = r.Lead(ctx, f.Seq); return err }); err != nil {
			return nil, err
		}
		out = append(out, whyPart{one, journal.Part{From: lead, To: f.Seq + afterRoll}})
	}
	return out, nil
}

// foldParts makes of parts of journals the rolls that are wanted, and what was changed.
func (p *program) foldParts(ctx context.Context, parts []whyPart, want func(*record.Roll) bool) (*record.Newest, *report.Of, error) {
	of, newest, union := &report.Of{}, &record.Newest{}, record.NewUnion(len(parts))
	var journals []journalSource
	for _, part := range parts {
		journals = append(journals, part.journalSource)
		of.Journals = append(of.Journals, report.Journal{Name: part.name, Machine: part.machine()})
	}
	take := func(rolls []*record.Roll) {
		for _, r := range rolls {
			if want(r) {
				newest.Rolls = append(newest.Rolls, r)
			}
		}
	}
	err := p.scanTogether(ctx, journals, func(i int) journal.Part { return parts[i].Part }, func(s record.Stored) error {
		done, err := union.Add(s.Journal, s)
		take(done)
		if record.OfLine(s.Record) {
			newest.Acts = append(newest.Acts, s)
		}
		return err
	})
	take(union.Rest())
	return newest, of, err
}

// whySource is the configuration by which a roll is told, and its journal: the one at a
// path, for an empty one that of the line.
func (p *program) whySource(ctx context.Context, f *whyFlags, path string) (report.Told, string, error) {
	if path == "" {
		s, err := p.loadNamed(&f.from.source)
		if err != nil {
			return report.Told{}, "", err
		}
		line, err := lineNamed(s, f.from.line)
		if err != nil {
			return report.Told{}, "", err
		}
		return toldBy(s, line), s.Journal.Path(line.Recipe.Name), nil
	}
	of, err := p.openLine(ctx, []string{path}, &f.from)
	if err != nil {
		return report.Told{}, "", err
	}
	defer of.close()
	s, line, err := of.config(ctx, p)
	if err != nil || s == nil {
		return report.Told{}, path, err
	}
	return toldBy(s, line), path, nil
}

// toldBy is what a line of a configuration gives to the story of a roll.
func toldBy(s *config.Snapshot, line *config.Line) report.Told {
	return report.Told{Line: line.Recipe, Hash: s.Hash, Words: s.Words}
}
