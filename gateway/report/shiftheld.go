package report

import (
	"slices"

	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// heldGap is a gap over what the other machine of a pair holds.
type heldGap struct {
	journal int
	seq     uint64
	at      int // of Gaps; below 0 for one that was recorded after the report
	late    Happening
}

// gap takes a gap of the record. One over what the other machine holds is recorded when
// this one takes over, which may be long after the rolls that it leaves out.
func (s *Shift) gap(r record.Stored, g *record.Gap) {
	f := &s.fold
	held := g.Cause == record.HeldByOther && f.of.Arriving
	told := Happening{r.Seq, r.At, f.of.by(r.Journal, record.SaidOf(*g, f.units))}
	switch {
	case s.within(r.At) && held:
		f.held = append(f.held, heldGap{journal: r.Journal, seq: r.Seq, at: len(s.Gaps)})
	case s.within(r.At):
		f.lost = true
	case held && s.Until != nil && !r.At.Before(*s.Until) && f.chains[r.Journal].outcome.Before(*s.Until):
		f.held = append(f.held, heldGap{r.Journal, r.Seq, -1, told})
		return
	default:
		return
	}
	s.Gaps = append(s.Gaps, told)
}

// heldOf is what is kept of a gap of the union, nil where it is not of the report.
func (s *Shift) heldOf(h *record.Held) *heldGap {
	f := &s.fold
	k := slices.IndexFunc(f.held, func(g heldGap) bool { return g.journal == h.At.Journal && g.seq == h.At.Seq })
	if k < 0 || f.held[k].at < 0 && (h.Filled() || s.past(h.At.Journal)) {
		return nil
	}
	return &f.held[k]
}

// past reports whether a journal of another machine is known beyond the end of the report:
// what is missing of a gap of that one came later then.
func (s *Shift) past(journal int) bool {
	machines := slices.Concat(s.fold.of.Journals, s.fold.of.Others)
	for k, at := range s.fold.known {
		if machines[k].Machine != machines[journal].Machine && !at.Before(*s.Until) {
			return true
		}
	}
	return false
}

// know notes how far a journal is known.
func (s *Shift) know(r record.Stored) {
	if at := &s.fold.known[r.Journal]; r.At.After(*at) {
		*at = r.At
	}
}

// Awaited are the gaps of the report over what the other machine of a pair holds of which
// some is not known yet.
func (s *Shift) Awaited() (out []record.Held) {
	for _, h := range s.fold.union.Held() {
		if !h.Filled() && s.heldOf(&h) != nil {
			out = append(out, h)
		}
	}
	return out
}

// fill tells of each gap over what the other machine holds what of it has arrived.
func (s *Shift) fill() {
	f := &s.fold
	machines := slices.Concat(f.of.Journals, f.of.Others)
	for _, h := range f.union.Held() {
		of := s.heldOf(&h)
		if of == nil {
			continue
		}
		if of.at < 0 {
			of.at = len(s.Gaps)
			s.Gaps = append(s.Gaps, of.late)
		}
		what := &s.Gaps[of.at].What
		var by []string
		for _, j := range h.By {
			if one := machines[j].Machine; !slices.Contains(by, one) {
				by = append(by, one)
			}
		}
		f.awaited = f.awaited || !h.Filled()
		switch {
		case h.Filled():
			*what = phrase(wording.Say("report.gaps.arrived", "what", what.Said, "machine", joined(by)))
		case len(by) > 0:
			*what = phrase(wording.Say("report.gaps.partly", "what", what.Said, "text", h.Missing()))
		default:
			*what = phrase(wording.Say("report.gaps.awaited", "what", what.Said))
		}
	}
}

// joined lists names.
func joined(names []string) wording.Said {
	var out []wording.Said
	for _, n := range names {
		out = append(out, wording.Plain(n))
	}
	return wording.Join("list.and", out)
}
