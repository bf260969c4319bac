package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"lapgate/gateway/journal"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe/quantity"
)

// whyFlags are the flags of `why`.
type whyFlags struct {
	source sourceFlags
	line   string
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
that of the line.`,
		Example: `  lapgate why R-1041 --config mill.yaml
  lapgate why 1041 journal/north.db`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) < 1 || len(args) > 2 {
				return usageError("lapgate why takes the tag or the number of one roll, and a journal where it is not that of the line, got %d arguments", len(args))
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
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
	return cmd
}

// mostTags is among how many tags, the newest, the one that was meant is looked for.
const mostTags = 5000

func (p *program) why(ctx context.Context, f *whyFlags, name, path string) error {
	t, path, err := p.whySource(f, path)
	if err != nil {
		return err
	}
	number, err := strconv.ParseUint(name, 10, 32)
	isNumber := err == nil
	var tags []string // of other rolls
	fold := record.Recent{Want: func(r *record.Roll) bool {
		tags = append(tags[max(0, len(tags)-mostTags):], r.Tag)
		return r.Tag == name || isNumber && uint64(r.Number) == number
	}}
	bar := present.NewProgress(p.stderr, "records read")
	err = journal.Scan(ctx, path, journal.ScanChunk, bar.Follow, fold.Add)
	bar.Clear()
	if err != nil {
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
