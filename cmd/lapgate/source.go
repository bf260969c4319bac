package main

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
)

// journalSource is a journal that a command reads: a file with its archives, or what has arrived
// of one in the engine.
type journalSource struct {
	name string // path of the file, or what the journal is called there
	open func(context.Context) (*journal.Reader, error)

	chain *engine.Journal // nil for a file
}

// fileSource is a journal in a file.
func fileSource(path string) journalSource {
	return journalSource{name: path, open: func(ctx context.Context) (*journal.Reader, error) { return journal.OpenWhole(ctx, path) }}
}

// engineSource is what has arrived of a journal in the engine.
func engineSource(r *engine.Reading, chain engine.Journal) journalSource {
	return journalSource{name: chain.String(), chain: &chain, open: func(context.Context) (*journal.Reader, error) { return r.Open(chain), nil }}
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

// line is the one that the journal says it is of, else that of the name of its file. r reads
// the journal.
func (s *journalSource) line(ctx context.Context, r *journal.Reader) (string, error) {
	if s.chain != nil {
		return s.chain.Line, nil
	}
	first, err := r.List(ctx, journal.Filter{Kind: record.KindOrigin, Limit: 1})
	if err != nil {
		return "", err
	}
	if len(first) > 0 {
		if o, ok := first[0].Record.(record.Origin); ok && o.Line != "" {
			return o.Line, nil
		}
	}
	return strings.TrimSuffix(filepath.Base(s.name), filepath.Ext(s.name)), nil
}

// lineName is the line that the journal is of.
func (s *journalSource) lineName(ctx context.Context) (name string, err error) {
	err = s.read(ctx, func(r *journal.Reader) error { name, err = s.line(ctx, r); return err })
	return name, err
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
	if p.getenv("GOGC") == "" {
		// What is read of a roll is soon not needed any more: to collect it less often saves an eighth.
		const percent = 200 // of what is in use
		defer debug.SetGCPercent(debug.SetGCPercent(percent))
	}
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
