// Package report tells people what a line did: the report of a shift, and all
// drawings. It reads what others recorded or computed, and decides nothing.
package report

import (
	"cmp"
	"math"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/stat"
	"lapgate/recipe/wording"
)

// Shift is what a journal, or those of the machines that served a line by turns, tell of
// the rolls that left the station in some time, and of the line in that time.
type Shift struct {
	Line    string     `json:"line"`
	Journal string     `json:"journal,omitempty"` // empty where there are several
	Since   *time.Time `json:"since,omitempty"`
	Until   *time.Time `json:"until,omitempty"`
	// Head is the end of the journal when the report was made: kept with the report, it
	// proves later that nothing up to it was changed or cut off.
	Head string `json:"head,omitempty" print:"head=end-of-the-journal"`
	// Arrived is the time of the newest record that has arrived, of a journal that is read
	// where others keep it too: what came after is not told yet. Nil for a file.
	Arrived   *time.Time     `json:"arrived,omitempty" label:"arrived up to"`
	Journals  []Journal      `json:"journals,omitempty"` // where there are several
	Rolls     []Roll         `json:"rolls" print:"csv"`
	Outcomes  []OutcomeCount `json:"outcomes"`
	Holds     []HoldCount    `json:"holds" label:"rolls that met a hold, by its code"`
	Overhangs *Overhangs     `json:"overhang,omitempty" label:"overhang each side, of our recipes"`
	Weighed   *Weighed       `json:"weighed,omitempty" label:"scale reading less predicted gross"`
	Wrappers  []Wrapper      `json:"wrappers" label:"wrapper by slot"`
	Times     []StepTime     `json:"times" label:"times of the steps"`
	Breaks    []Break        `json:"breaks" label:"breaks of the link"`
	Modes     []Mode         `json:"modes" label:"who let the line be written to"`
	Changes   []record.Told  `json:"changes" label:"what people did and changed"`
	Gaps      []Happening    `json:"gaps" label:"gaps of the record"`
	Doubts    []string       `json:"doubts,omitempty" label:"doubts about the journal that nobody accepted"`

	fold fold
}

// OutcomeCount is how many rolls had an outcome.
type OutcomeCount struct {
	Name  string `json:"name" print:"words=outcome"`
	Rolls int    `json:"rolls"`
}

// VerdictCount is of how many rolls the scale said something.
type VerdictCount struct {
	Name  string `json:"name" print:"words=weighed.verdict"`
	Rolls int    `json:"rolls"`
}

// HoldCount is how many rolls met a hold of one code, the most first.
type HoldCount struct {
	Code    recipe.Code    `json:"code"`
	Rolls   int            `json:"rolls"`
	Share   float64        `json:"cumulative_percent" label:"with those before"`
	Meaning wording.Phrase `json:"meaning"`
}

// Overhangs are the overhangs of the recipes against their windows, which differ from
// roll to roll. Every is the part that all windows have in common.
type Overhangs struct {
	Rolls    int     `json:"rolls"`
	Least    float64 `json:"least_m" print:"head=smallest"`
	Mean     float64 `json:"mean_m"`
	Greatest float64 `json:"greatest_m" print:"head=largest"`
	Judged   int     `json:"rolls_with_window" label:"rolls whose window is known"`
	Outside  int     `json:"outside" label:"outside of its window"`
	// EveryMin and EveryMax bound what every window has in common, AnyMin and AnyMax
	// what lies in any; 0 without windows.
	EveryMin float64 `json:"every_min_m,omitempty" label:"-"`
	EveryMax float64 `json:"every_max_m,omitempty" label:"-"`
	AnyMin   float64 `json:"any_min_m,omitempty" label:"-"`
	AnyMax   float64 `json:"any_max_m,omitempty" label:"-"`
}

// Weighed is how far the scale was from the predicted gross over the rolls
// weighed that have one, and what was said of the readings.
type Weighed struct {
	Rolls    int            `json:"rolls"`
	Mean     float64        `json:"mean_percent"`
	SD       *float64       `json:"sd_percent,omitempty" label:"spread"` // of the sample; from two rolls on
	Verdicts []VerdictCount `json:"verdicts"`
}

// Journal is one of several journals of a report.
type Journal struct {
	Name    string     `json:"name"`
	Head    string     `json:"head" print:"head=end-of-the-journal"` // as that of Shift
	Arrived *time.Time `json:"arrived,omitempty" label:"arrived up to"`
	Machine string     `json:"-"` // that wrote it, empty for a file
}

// Of is what a report is of: the line, its journals and how those end.
type Of struct {
	Line     string
	Journals []Journal    // one at least
	Others   []Journal    // more, numbered behind those, that are asked only for what gaps leave out
	Units    *recipe.Line // in whose units people read; not nil
	// Recipe is the configuration that gives windows, papers and limits, nil where none is
	// known, and Hash its own.
	Recipe *recipe.Line
	Hash   uint32
	// Arriving says that the journals are read where they are handed on to, perhaps late.
	Arriving bool
}

// NewShift begins a report. A time that is zero does not bound it.
func NewShift(of Of, since, until time.Time) *Shift {
	s := &Shift{
		Line: of.Line, Rolls: []Roll{}, Wrappers: []Wrapper{}, Times: []StepTime{},
		Breaks: []Break{}, Modes: []Mode{}, Changes: []record.Told{}, Gaps: []Happening{},
	}
	if !since.IsZero() {
		s.Since = &since
	}
	if !until.IsZero() {
		s.Until = &until
	}
	all := len(of.Journals) + len(of.Others)
	s.fold = fold{of: of, line: of.Recipe, units: of.Units, union: record.NewUnion(all), known: make([]time.Time, all), chains: make([]chain, len(of.Journals))}
	return s
}

// Begin tells the newest record of a journal before those that are added that allowed or
// forbade writing.
func (s *Shift) Begin(mode record.Stored) { s.mode(mode) }

// Add takes the next record of a journal, the one that it says; those of several come as
// near as may be to the order of time. The first may stand some time before the report
// begins, so that the rolls under way are told whole. The errors are those of
// record.Union, and of a recorded payload that cannot be read.
func (s *Shift) Add(r record.Stored) error {
	rolls, err := s.fold.union.Add(r.Journal, r)
	if err != nil {
		return err
	}
	s.follow(r)
	s.know(r)
	return s.take(rolls)
}

// Know takes an outcome or a gap of a journal that is not added: one from before, or of
// one of the others.
func (s *Shift) Know(r record.Stored) {
	s.fold.union.Know(r.Journal, r)
	s.know(r)
}

// within reports whether a moment belongs to the report.
func (s *Shift) within(at time.Time) bool {
	return (s.Since == nil || !at.Before(*s.Since)) && (s.Until == nil || at.Before(*s.Until))
}

// take takes the rolls that left the station in the time of the report.
func (s *Shift) take(rolls []*record.Roll) error {
	for _, roll := range rolls {
		if roll.Outcome == nil || !s.within(roll.OutcomeAt.At) {
			continue
		}
		r, err := RollOf(s.Line, s.fold.line, roll)
		if err != nil {
			return err
		}
		s.Rolls = append(s.Rolls, r)
		s.draw(roll, &r)
		s.timeOf(roll)
		s.keep(roll, &r)
	}
	return nil
}

// Finish adds up what was taken.
func (s *Shift) Finish() error {
	for i := range s.fold.chains {
		s.Doubts = append(s.Doubts, s.fold.union.Past(i).Doubts...)
	}
	s.fill()
	if err := s.take(s.fold.union.Rest()); err != nil {
		return err
	}
	s.Outcomes, s.Holds, s.Overhangs, s.Weighed = s.outcomes(), s.holds(), s.overhangs(), s.weighed()
	s.left()
	s.Times = s.fold.times.steps()
	for i := range s.fold.chains {
		s.endBreak(i)
	}
	s.name()
	return nil
}

// name names the journals, and how far they have arrived.
func (s *Shift) name() {
	list := slices.Clone(s.fold.of.Journals)
	for i := range list {
		if at := &s.fold.chains[i].newest; s.fold.of.Arriving && !at.IsZero() {
			list[i].Arrived = at
		}
	}
	if len(list) == 1 {
		s.Journal, s.Head, s.Arrived = list[0].Name, list[0].Head, list[0].Arrived
		return
	}
	s.Journals = list
	slices.SortStableFunc(s.Modes, func(a, b Mode) int { return a.From.Compare(b.From) })
	slices.SortStableFunc(s.Breaks, func(a, b Break) int { return a.From.Compare(b.From) })
}

// outcomes counts the rolls by outcome, in the order of the handshake.
func (s *Shift) outcomes() []OutcomeCount {
	var out []OutcomeCount
	for k := handshake.Wrapped; k <= handshake.Lost; k++ {
		n := 0
		for i := range s.Rolls {
			if s.Rolls[i].Outcome == k {
				n++
			}
		}
		out = append(out, OutcomeCount{k.String(), n})
	}
	return out
}

// holds counts the rolls that met a hold, by its code, the most first.
func (s *Shift) holds() []HoldCount {
	out := []HoldCount{}
	all := 0
	for i := range s.Rolls {
		for _, c := range s.Rolls[i].Holds {
			all++
			k := slices.IndexFunc(out, func(o HoldCount) bool { return o.Code == c })
			if k < 0 {
				out = append(out, HoldCount{Code: c, Rolls: 1, Meaning: phrase(check.Meaning(c))})
			} else {
				out[k].Rolls++
			}
		}
	}
	slices.SortFunc(out, func(a, b HoldCount) int { return cmp.Or(cmp.Compare(b.Rolls, a.Rolls), cmp.Compare(a.Code, b.Code)) })
	sum := 0
	for i := range out {
		sum += out[i].Rolls
		out[i].Share = 100 * float64(sum) / float64(all)
	}
	return out
}

func (s *Shift) overhangs() *Overhangs {
	o := &Overhangs{Least: math.Inf(1), Greatest: math.Inf(-1)}
	sum := 0.0
	for i := range s.Rolls {
		r := &s.Rolls[i]
		if r.Overhang == nil {
			continue
		}
		o.Rolls++
		sum += *r.Overhang
		o.Least, o.Greatest = math.Min(o.Least, *r.Overhang), math.Max(o.Greatest, *r.Overhang)
		if r.OverhangMin == nil {
			continue
		}
		if o.Judged++; o.Judged == 1 {
			o.EveryMin, o.EveryMax, o.AnyMin, o.AnyMax = *r.OverhangMin, *r.OverhangMax, *r.OverhangMin, *r.OverhangMax
		}
		o.EveryMin, o.EveryMax = math.Max(o.EveryMin, *r.OverhangMin), math.Min(o.EveryMax, *r.OverhangMax)
		o.AnyMin, o.AnyMax = math.Min(o.AnyMin, *r.OverhangMin), math.Max(o.AnyMax, *r.OverhangMax)
		if r.outside() {
			o.Outside++
		}
	}
	if o.Rolls == 0 {
		return nil
	}
	o.Mean = sum / float64(o.Rolls)
	return o
}

func (s *Shift) weighed() *Weighed {
	var deviations []float64
	verdicts := []VerdictCount{}
	for i := range s.Rolls {
		if d := s.Rolls[i].Deviation; d != nil {
			deviations = append(deviations, *d)
		}
		if v := s.Rolls[i].Weighed; v != "" {
			k := slices.IndexFunc(verdicts, func(c VerdictCount) bool { return c.Name == v })
			if k < 0 {
				verdicts = append(verdicts, VerdictCount{v, 1})
			} else {
				verdicts[k].Rolls++
			}
		}
	}
	if len(deviations) == 0 {
		return nil
	}
	slices.SortFunc(verdicts, func(a, b VerdictCount) int { return cmp.Or(cmp.Compare(b.Rolls, a.Rolls), cmp.Compare(a.Name, b.Name)) })
	mean, sd := stat.MeanSD(deviations)
	w := &Weighed{Rolls: len(deviations), Mean: mean, Verdicts: verdicts}
	if len(deviations) > 1 {
		w.SD = &sd
	}
	return w
}

// Needs are what the rolls and the record still ask of somebody.
func (s *Shift) Needs() []wording.Said {
	var out []wording.Said
	var count [needs]int
	for i := range s.Rolls {
		for _, n := range s.Rolls[i].needs() {
			count[n]++
		}
	}
	for n, key := range needKeys {
		switch {
		case count[n] == 1:
			out = append(out, wording.Say(key+".one"))
		case count[n] > 1:
			out = append(out, wording.Say(key, "count", count[n]))
		}
	}
	if s.fold.lost {
		out = append(out, wording.Say("report.need.gaps"))
	}
	if s.fold.awaited {
		out = append(out, wording.Say("report.need.awaited"))
	}
	for _, d := range s.Doubts {
		out = append(out, wording.Say("report.need.doubt", "why", d))
	}
	return out
}
