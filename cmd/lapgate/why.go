package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe/quantity"
)

// whyFlags are the flags of `why`.
type whyFlags struct {
	source sourceFlags
	line   string
	output outputFlags
	of     engineFlags
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
or of one line; of what was changed before it, the weeks before are told.`,
		Example: `  lapgate why R-1041 --config mill.yaml
  lapgate why 1041 journal/north.db
  lapgate why R-1041 --engine --config mill.yaml`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 1 || len(args) > 2 {
				return usageError("lapgate why takes the tag or the number of one roll, and a journal where it is not that of the line, got %d arguments", len(args))
			}
			return f.of.args(cobra.ArbitraryArgs)(cmd, args[1:])
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.of.engine {
				return p.whyThere(cmd.Context(), &f, args[0])
			}
			path := ""
			if len(args) > 1 {
				path = args[1]
			}
			return p.why(cmd.Context(), &f, args[0], path)
		},
	}
	f.source.add(cmd)
	addLine(cmd, &f.line, likeJournal)
	f.output.add(cmd)
	f.of.add(cmd)
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
	t, path, err := p.whySource(f, path)
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

// whyThere tells of a roll from what has arrived in the engine. The records around it are
// read, and not the whole journal.
func (p *program) whyThere(ctx context.Context, f *whyFlags, name string) error {
	s, r, err := p.reading(ctx, &f.source)
	if err != nil {
		return err
	}
	defer r.Close()
	choice, of := f.of.choice(f.line), wantedOf(name)
	found, err := r.FindRoll(ctx, choice, name, of.number)
	if err != nil {
		return err
	}
	for _, at := range found {
		t := report.Told{Words: s.Words}
		if line, err := lineNamed(s, at.Journal.Line); err == nil && at.Journal.Mill == s.Engine.Mill {
			t.Line, t.Hash = line.Recipe, s.Hash
		}
		one := journalSource{name: at.Journal.String(), open: func(context.Context) (*journal.Reader, error) { return r.Open(at.Journal), nil }}
		var lead uint64
		if err := one.read(ctx, func(r *journal.Reader) (err error) { lead, err = r.Lead(ctx, at.Seq); return err }); err != nil {
			return err
		}
		fold := record.Recent{Want: of.is}
		if err := p.scan(ctx, one, journal.Part{From: lead, To: at.Seq + afterRoll}, fold.Add); err != nil {
			return err
		}
		if t.Newest = fold.Newest(); len(t.Newest.Rolls) > 0 {
			fmt.Fprintln(p.stderr, t.Words.Of("why.arrived", "name", at.Journal.String(), "number", at.Journal.Head.Seq))
			return p.tellWhy(f, t)
		}
	}
	tags, err := r.NewestTags(ctx, choice, mostTags)
	if near := quantity.Nearest(name, tags); near != "" {
		return errors.Join(err, errors.New(s.Words.Of("why.awaited.near", "what", strconv.Quote(name), "tag", near)))
	}
	return errors.Join(err, errors.New(s.Words.Of("why.awaited", "what", strconv.Quote(name), "command", "lapgate why")))
}

// whySource is the configuration by which a roll is told, and its journal: the one at a
// path, for an empty one that of the line.
func (p *program) whySource(f *whyFlags, path string) (report.Told, string, error) {
	if path != "" && f.source.path == "" && p.getenv(configVariable) == "" {
		if f.line != "" || len(f.source.set) > 0 {
			return report.Told{}, "", usageError("--line and --set need the configuration that they are of: name it with --config, or $%s", configVariable)
		}
		return report.Told{}, path, nil
	}
	src, err := p.namedSource(&f.source, nil)
	if err != nil {
		return report.Told{}, "", err
	}
	s, err := p.loadSource(src)
	if err != nil {
		return report.Told{}, "", err
	}
	line, err := lineFor(s, f.line, path)
	if err != nil {
		return report.Told{}, "", err
	}
	if path == "" {
		path = s.Journal.Path(line.Recipe.Name)
	}
	return report.Told{Line: line.Recipe, Hash: s.Hash, Words: s.Words}, path, nil
}
