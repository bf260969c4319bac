package main

import (
	"context"
	"errors"
	"time"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// reported is one journal to report, by the line of a configuration and in its language;
// nil for none.
type reported struct {
	journalSource
	line   *recipe.Line
	hash   uint32
	words  *wording.Words
	others []journalSource // journals of the line by other machines, in the engine
}

// reported lists what is to be reported; closed ends what it is read through.
func (p *program) reported(ctx context.Context, args []string, f *reportFlags) (list []reported, closed func(), err error) {
	if f.of.engine {
		return p.reportedThere(ctx, f)
	}
	list, err = p.reportedHere(args, f)
	return list, func() {}, err
}

// reportedThere are journals of the engine. A line of another mill, or one that the
// configuration does not have, is reported without windows and limits.
func (p *program) reportedThere(ctx context.Context, f *reportFlags) (list []reported, closed func(), err error) {
	s, r, err := p.reading(ctx, &f.units.source)
	if err != nil {
		return nil, nil, err
	}
	choice := f.of.choice(f.units.line)
	sources, err := p.arrived(ctx, r, choice)
	choice.Machine = ""
	all, err2 := p.arrived(ctx, r, choice)
	if err := errors.Join(err, err2); err != nil {
		r.Close()
		return nil, nil, err
	}
	for _, one := range sources {
		of := reported{journalSource: one, words: s.Words}
		for _, o := range all {
			if o.of == one.of && o.chain.Mill == one.chain.Mill && o.chain.Machine != one.chain.Machine {
				of.others = append(of.others, o)
			}
		}
		if line, err := lineNamed(s, one.of); err == nil && one.chain.Mill == s.Engine.Mill {
			of.line, of.hash = line.Recipe, s.Hash
		}
		list = append(list, of)
	}
	return list, r.Close, nil
}

// reportedHere are journals in files.
func (p *program) reportedHere(args []string, f *reportFlags) ([]reported, error) {
	named := f.units.source.path != "" || p.getenv(configVariable) != ""
	if len(args) > 0 && !named {
		of := fileSource(args[0])
		_, err := p.unitsOf(&f.units, of.of)
		return []reported{{journalSource: of}}, err
	}
	if !named {
		return nil, usageError("lapgate report takes %s, or --config FILE for the journals of its lines; or set %s", oneJournal, configVariable)
	}
	s, err := p.load(&f.units.source)
	if err != nil {
		return nil, err
	}
	if len(args) > 0 {
		of := fileSource(args[0])
		line, err := lineFor(s, f.units.line, of.of)
		if err != nil {
			return nil, err
		}
		return []reported{{journalSource: of, line: line.Recipe, hash: s.Hash, words: s.Words}}, nil
	}
	lines, err := linesNamed(s, f.units.line)
	if err != nil {
		return nil, err
	}
	var out []reported
	for _, l := range lines {
		out = append(out, reported{journalSource: fileSource(s.Journal.Path(l.Recipe.Name)), line: l.Recipe, hash: s.Hash, words: s.Words})
	}
	return out, nil
}

// heldBack is how long before a gap the other machine may have recorded what is in it.
const heldBack = 7 * 24 * time.Hour

// fillGaps tells of each gap over what the other machine of a pair holds whether that has
// arrived. The reports are those of the list, in its order.
func fillGaps(ctx context.Context, list []reported, shifts []*report.Shift) error {
	for i, s := range shifts {
		for _, g := range s.Held() {
			machine, err := arrivedWith(ctx, list[i].others, g)
			if err != nil {
				return err
			}
			s.Fill(g, machine)
		}
	}
	return nil
}

// arrivedWith is the machine in whose journal every outcome of a gap stands, empty where
// none has them all.
func arrivedWith(ctx context.Context, others []journalSource, g report.HeldGap) (string, error) {
	for _, o := range others {
		found := map[uint32]bool{}
		err := o.read(ctx, func(r *journal.Reader) error {
			return r.Walk(ctx, journal.Filter{Kind: record.KindOutcome, From: g.At.Add(-heldBack)}, func(e journal.Entry) error {
				if x, ok := e.Record.(record.Outcome); ok && x.Outcome.Index >= g.FromIndex && x.Outcome.Index <= g.ToIndex {
					found[x.Outcome.Index] = true
				}
				return nil
			})
		})
		if err != nil {
			return "", err
		}
		if g.ToIndex >= g.FromIndex && uint32(len(found)) == g.ToIndex-g.FromIndex+1 {
			return o.chain.Machine, nil
		}
	}
	return "", nil
}
