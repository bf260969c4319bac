package main

import (
	"context"
	"errors"
	"slices"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// reported are the journals of one line, to be reported as one by the line of a
// configuration and in its language; nil for none.
type reported struct {
	journals []journalSource
	others   []journalSource // of the line by machines that nobody asked for, in the engine
	line     *recipe.Line
	hash     uint32
	words    *wording.Words
}

// reported lists what is to be reported; closed ends what it is read through.
func (p *program) reported(ctx context.Context, args []string, f *reportFlags) (list []reported, closed func(), err error) {
	if f.from.engine {
		return p.reportedThere(ctx, f)
	}
	list, err = p.reportedHere(ctx, args, f)
	return list, func() {}, err
}

// reportedThere are the lines of the engine, each with the journals of all its machines or
// of the one that was asked for. A line of another mill, or one that the configuration does
// not have, is reported without windows and limits.
func (p *program) reportedThere(ctx context.Context, f *reportFlags) (list []reported, closed func(), err error) {
	s, r, err := p.reading(ctx, &f.from.source)
	if err != nil {
		return nil, nil, err
	}
	choice := f.from.choice(f.from.line)
	sources, err := arrived(ctx, r, choice)
	choice.Machine = ""
	all, err2 := arrived(ctx, r, choice)
	if err := errors.Join(err, err2); err != nil {
		r.Close()
		return nil, nil, err
	}
	for len(sources) > 0 {
		one := sources[0].chain
		of := reported{words: s.Words}
		of.journals, sources = ofLine(sources, one)
		of.others, _ = ofLine(all, one)
		of.others = slices.DeleteFunc(of.others, func(o journalSource) bool { return f.from.machine == "" || o.chain.Machine == f.from.machine })
		if line, err := lineNamed(s, one.Line); err == nil && one.Mill == s.Engine.Mill {
			of.by(s, line)
		}
		list = append(list, of)
	}
	return list, r.Close, nil
}

// ofLine parts journals of the engine into those of the line that one is of, and others.
func ofLine(all []journalSource, one *engine.Journal) (of, rest []journalSource) {
	for _, s := range all {
		if s.chain.Line == one.Line && s.chain.Mill == one.Mill {
			of = append(of, s)
		} else {
			rest = append(rest, s)
		}
	}
	return of, rest
}

// reportedHere are journals in files.
func (p *program) reportedHere(ctx context.Context, args []string, f *reportFlags) ([]reported, error) {
	s, err := f.from.config(p)
	if err != nil {
		return nil, err
	}
	if len(args) > 0 {
		of := reported{journals: []journalSource{fileSource(args[0])}}
		if s != nil {
			line, err := of.journals[0].lineIn(ctx, s, f.from.line)
			if err != nil {
				return nil, err
			}
			of.by(s, line)
		}
		return []reported{of}, nil
	}
	if s == nil {
		return nil, usageError("lapgate report takes %s, or --config FILE for the journals of its lines; or set %s", oneJournal, configVariable)
	}
	lines, err := linesNamed(s, f.from.line)
	if err != nil {
		return nil, err
	}
	var out []reported
	for _, l := range lines {
		of := reported{journals: []journalSource{fileSource(s.Journal.Path(l.Recipe.Name))}}
		of.by(s, l)
		out = append(out, of)
	}
	return out, nil
}

// by has the journals reported by a line of a configuration.
func (of *reported) by(s *config.Snapshot, line *config.Line) {
	of.line, of.hash, of.words = line.Recipe, s.Hash, s.Words
}

// skew is how far the clocks of two machines may lie apart.
const skew = time.Hour

// askBefore looks for what the other machine of a pair holds of gaps of a report, in what
// stands before the report and in journals that are not reported.
func (of *reported) askBefore(ctx context.Context, s *report.Shift) error {
	all := slices.Concat(of.journals, of.others)
	for _, gap := range s.Awaited() {
		// What is in the gap came after the outcome before it.
		since := time.Time{}
		err := all[gap.At.Journal].read(ctx, func(r *journal.Reader) error {
			last, err := r.List(ctx, journal.Filter{Kind: record.KindOutcome, To: gap.At.At, Limit: 1, Newest: true})
			if err == nil && len(last) > 0 {
				since = last[0].At.Add(-skew)
			}
			return err
		})
		if err != nil {
			return err
		}
		for k, other := range all {
			if k == gap.At.Journal {
				continue
			}
			for _, kind := range []record.Kind{record.KindGap, record.KindOutcome} {
				err := other.read(ctx, func(r *journal.Reader) error {
					return r.Walk(ctx, journal.Filter{Kind: kind, From: since}, func(e journal.Entry) error {
						e.Journal = k
						s.Know(e.Stored)
						return nil
					})
				})
				if err != nil {
					return err
				}
			}
		}
	}
	return nil
}
