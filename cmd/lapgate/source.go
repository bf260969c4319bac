package main

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
)

// journalSource is a journal that a command reads: a file with its archives, or what has arrived
// of one in the engine.
type journalSource struct {
	name string // path of the file, or what the journal is called there
	of   string // line that the journal is of, for a file by its name
	open func(context.Context) (*journal.Reader, error)

	chain *engine.Journal // nil for a file
}

// fileSource is a journal in a file.
func fileSource(path string) journalSource {
	return journalSource{
		name: path, of: strings.TrimSuffix(filepath.Base(path), filepath.Ext(path)),
		open: func(ctx context.Context) (*journal.Reader, error) { return journal.OpenWhole(ctx, path) },
	}
}

// read calls do with a reader of the journal. Damage of it is a difference, wherever it is
// found.
func (s *journalSource) read(ctx context.Context, do func(*journal.Reader) error) (err error) {
	defer func() {
		var damage *journal.DamageError
		if errors.As(err, &damage) {
			err = &exitError{exitDifferences, err}
		}
	}()
	r, err := s.open(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	return do(r)
}

// scan calls each with every record of a part of the journal, and tells how far it is.
func (p *program) scan(ctx context.Context, s journalSource, part journal.Part, each func(record.Stored) error) error {
	bar := present.NewProgress(p.stderr, "records read")
	defer bar.Clear()
	return s.read(ctx, func(r *journal.Reader) error { return r.Scan(ctx, part, journal.ScanChunk, bar.Follow, each) })
}

// machine is the one that wrote the journal, empty for a file.
func (s *journalSource) machine() string {
	if s.chain == nil {
		return ""
	}
	return s.chain.Machine
}

// scanTogether calls each with every record of a part of each of several journals, in the
// order of their times, and tells how far it is.
func (p *program) scanTogether(ctx context.Context, journals []journalSource, part func(int) journal.Part, each func(record.Stored) error) error {
	if len(journals) == 1 {
		return p.scan(ctx, journals[0], part(0), each)
	}
	bar := present.NewProgress(p.stderr, "records read")
	defer bar.Clear()
	heads := make([]pulled, len(journals))
	for i := range journals {
		h := &heads[i]
		follow := func(done, total uint64) {
			h.done, h.total = done, total
			var all pulled
			for _, x := range heads {
				all.done, all.total = all.done+x.done, all.total+x.total
			}
			bar.Follow(all.done, all.total)
		}
		next, stop := iter.Pull2(journals[i].records(ctx, part(i), follow))
		defer stop()
		h.next = func() (err error) {
			h.record, err, h.more = next()
			h.record.Journal = i
			return err
		}
		if err := h.next(); err != nil {
			return err
		}
	}
	for {
		var first *pulled
		for i := range heads {
			if h := &heads[i]; h.more && (first == nil || h.record.At.Before(first.record.At)) {
				first = h
			}
		}
		if first == nil {
			return nil
		}
		if err := each(first.record); err != nil {
			return fmt.Errorf("%s: %w", journals[first.record.Journal].name, err)
		}
		if err := first.next(); err != nil {
			return err
		}
	}
}

// pulled is where one of several journals is read.
type pulled struct {
	next        func() error
	record      record.Stored
	more        bool
	done, total uint64
}

// records are those of a part of the journal. One that cannot be read ends them.
func (s *journalSource) records(ctx context.Context, part journal.Part, follow func(done, total uint64)) iter.Seq2[record.Stored, error] {
	return func(yield func(record.Stored, error) bool) {
		err := s.read(ctx, func(r *journal.Reader) error {
			return r.Scan(ctx, part, journal.ScanChunk, follow, func(one record.Stored) error {
				if !yield(one, nil) {
					return errStopped
				}
				return nil
			})
		})
		if err != nil && !errors.Is(err, errStopped) {
			yield(record.Stored{}, err)
		}
	}
}

// scanRolls calls each with every roll of journals, or with those that left since a time,
// line by line, and tells how far it is. What several machines tell of a roll is one.
func (p *program) scanRolls(ctx context.Context, journals []journalSource, since time.Time, each func(*record.Roll) error) error {
	for len(journals) > 0 {
		of, rest := journals, []journalSource(nil)
		if one := journals[0].chain; one != nil {
			of, rest = ofLine(journals, one)
		}
		journals = rest
		union := record.NewUnion(len(of))
		all := func(rolls []*record.Roll) error {
			for _, r := range rolls {
				if err := each(r); err != nil {
					return err
				}
			}
			return nil
		}
		err := p.scanTogether(ctx, of, func(int) journal.Part { return journal.Part{Since: since} }, func(s record.Stored) error {
			rolls, err := union.Add(s.Journal, s)
			if err != nil {
				return err
			}
			return all(rolls)
		})
		if err == nil {
			err = all(union.Rest())
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// engineFlags say that the engine is read in place of a file, and which journals of it.
type engineFlags struct {
	engine        bool
	mill, machine string
}

func (f *engineFlags) add(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&f.engine, "engine", false, "read what has arrived in the engine of the configuration, in place of a file")
	cmd.Flags().StringVar(&f.mill, "mill", "", "mill whose journals are read from the engine, "+engine.EveryMill+" for every one (default engine.mill)")
	cmd.Flags().StringVar(&f.machine, "machine", "", "read the journals of this machine alone from the engine (default every one)")
}

// args wants no argument with --engine, and what else takes wants without.
func (f *engineFlags) args(without cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case !f.engine && f.mill+f.machine != "":
			return usageError("--mill and --machine choose journals of the engine: give --engine, or leave them out")
		case f.engine && len(args) > 0:
			return usageError("--engine reads the journals of the engine: leave %s out, or --engine", args[0])
		case f.engine:
			return nil
		}
		return without(cmd, args)
	}
}

// longestAnswer bounds one question to the engine: one over months of a mill takes its time.
const longestAnswer = 10 * time.Minute

// reading is a connection to the engine of a configuration.
func (p *program) reading(ctx context.Context, f *sourceFlags) (*config.Snapshot, *engine.Reading, error) {
	s, settings, err := p.engineOf(f)
	if err != nil {
		return nil, nil, err
	}
	settings.Timeout = longestAnswer
	r, err := engine.Read(ctx, settings)
	return s, r, err
}

// choice are the journals that flags choose of a line, of all lines for none.
func (f *engineFlags) choice(line string) engine.Choice {
	return engine.Choice{Mill: f.mill, Line: line, Machine: f.machine}
}

// arrived lists the journals chosen of the engine. There is one at least.
func (p *program) arrived(ctx context.Context, r *engine.Reading, of engine.Choice) (out []journalSource, err error) {
	list, err := r.Journals(ctx, of)
	if err != nil {
		return nil, err
	}
	for _, j := range list {
		out = append(out, journalSource{name: j.String(), of: j.Line, chain: &j,
			open: func(context.Context) (*journal.Reader, error) { return r.Open(j), nil }})
	}
	if len(out) > 0 {
		return out, nil
	}
	of.Line, of.Machine = "", ""
	all, err := r.Journals(ctx, of)
	var names []string
	for _, j := range all {
		names = append(names, fmt.Sprintf("line %s of machine %s", j.Line, j.Machine))
	}
	if len(names) == 0 {
		names = []string{"none"}
	}
	return nil, errors.Join(err, fmt.Errorf("the engine has no such journal; it has: %s", strings.Join(slices.Compact(names), ", ")))
}

// sources are the journals that a command reads: the file of its argument, or those of
// the engine. closed ends what they are read through.
func (p *program) sources(ctx context.Context, args []string, f *engineFlags, of *sourceFlags, line string) (out []journalSource, closed func(), err error) {
	if !f.engine {
		return []journalSource{fileSource(args[0])}, func() {}, nil
	}
	_, r, err := p.reading(ctx, of)
	if err != nil {
		return nil, nil, err
	}
	return p.chosen(ctx, r, f.choice(line))
}

// chosen are journals of the engine, and what ends the connection that they are read through.
func (p *program) chosen(ctx context.Context, r *engine.Reading, of engine.Choice) (out []journalSource, closed func(), err error) {
	if out, err = p.arrived(ctx, r, of); err != nil {
		r.Close()
		return nil, nil, err
	}
	return out, r.Close, nil
}

// lineSources are the journals of one line: the file of the argument, or those of the
// engine, where the line is the first of the configuration when none is named.
func (p *program) lineSources(ctx context.Context, args []string, f *engineFlags, of *sourceFlags, line string) (out []journalSource, closed func(), err error) {
	if !f.engine || line != "" {
		return p.sources(ctx, args, f, of, line)
	}
	s, r, err := p.reading(ctx, of)
	if err != nil {
		return nil, nil, err
	}
	return p.chosen(ctx, r, f.choice(s.Lines[0].Recipe.Name))
}

// namesOf are the names of journals, for a report.
func namesOf(journals []journalSource) string {
	var names []string
	for _, s := range journals {
		names = append(names, s.name)
	}
	return strings.Join(names, "; ")
}
