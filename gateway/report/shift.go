// Package report tells people what a line did: the report of a shift, and all
// drawings. It reads what others recorded or computed, and decides nothing.
package report

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/stat"
)

// Shift is what a journal tells of the rolls that left the station in some
// time.
type Shift struct {
	Journal string     `json:"journal"`
	Since   *time.Time `json:"since,omitempty"`
	Until   *time.Time `json:"until,omitempty"`
	// Head is the end of the journal when the report was made: kept with the report, it
	// proves later that nothing up to it was changed or cut off.
	Head     string   `json:"head,omitempty"`
	Rolls    []Roll   `json:"rolls" print:"csv"`
	Outcomes []Count  `json:"outcomes"`
	Holds    []Count  `json:"holds" label:"rolls that met a hold, by its code"`
	Weighed  *Weighed `json:"weighed,omitempty" label:"scale reading less predicted gross"`
}

// Roll is one roll that left the station.
type Roll struct {
	Number    uint32                `json:"roll_no" label:"no"`
	Tag       string                `json:"roll"` // empty without a decision of ours
	LeftAt    time.Time             `json:"left_at"`
	Outcome   handshake.OutcomeKind `json:"outcome"`
	Mode      string                `json:"mode,omitempty" print:"drop=4"` // offered or shadow
	Verdict   string                `json:"last_verdict,omitempty" print:"drop=3"`
	Holds     []recipe.Code         `json:"holds,omitempty"`
	Overhang  *float64              `json:"overhang_m,omitempty"` // each side, of our recipe
	Gross     *float64              `json:"gross_kg,omitempty" label:"gross" print:"drop=2"`
	Scale     *float64              `json:"scale_kg,omitempty"`
	Deviation *float64              `json:"scale_deviation_percent,omitempty" print:"drop=1"` // of the scale from our gross
}

// Count is how many rolls had something.
type Count struct {
	Name  string `json:"name"`
	Rolls int    `json:"rolls"`
}

// Weighed is how far the scale was from the predicted gross over the rolls
// weighed that have one.
type Weighed struct {
	Rolls int      `json:"rolls"`
	Mean  float64  `json:"mean_percent"`
	SD    *float64 `json:"sd_percent,omitempty" label:"spread"` // of the sample; from two rolls on
}

// NewShift begins the report of a journal that ends with a head. A time that is zero
// does not bound it.
func NewShift(journal, head string, since, until time.Time) *Shift {
	s := &Shift{Journal: journal, Head: head, Rolls: []Roll{}}
	if !since.IsZero() {
		s.Since = &since
	}
	if !until.IsZero() {
		s.Until = &until
	}
	return s
}

// Take adds a roll when it left the station in the time of the report. An error
// means a recorded payload that cannot be read.
func (s *Shift) Take(roll *record.Roll) error {
	if roll.Outcome == nil {
		return nil
	}
	at := roll.OutcomeAt.At
	if s.Since != nil && at.Before(*s.Since) || s.Until != nil && !at.Before(*s.Until) {
		return nil
	}
	r, err := rollOf(roll)
	if err != nil {
		return fmt.Errorf("roll %d: %w", roll.Number, err)
	}
	s.Rolls = append(s.Rolls, r)
	return nil
}

func rollOf(roll *record.Roll) (Roll, error) {
	o := &roll.Outcome.Outcome
	r := Roll{Number: o.RollNo, LeftAt: roll.OutcomeAt.At, Outcome: o.Outcome}
	if o.Scale > 0 {
		scale := float64(o.Scale) / 10
		r.Scale = &scale
	}
	for i := range roll.Rounds {
		round := &roll.Rounds[i]
		words, findings, ok := round.Decided()
		for _, f := range findings {
			if f.Severity == recipe.Hold && !slices.Contains(r.Holds, f.Code) {
				r.Holds = append(r.Holds, f.Code)
			}
		}
		if ok && round.Request.Token == (handshake.Token{Boot: o.Boot, Req: o.Req}) {
			r.Tag, r.Mode = roll.Tag, "offered"
			if round.Offer == nil {
				r.Mode = "shadow"
			}
			if err := r.decided(words); err != nil {
				return r, err
			}
		}
	}
	if r.Gross != nil && r.Scale != nil {
		share := (*r.Scale - *r.Gross) / *r.Gross * 100
		r.Deviation = &share
	}
	return r, nil
}

// decided takes what our last decision on the roll was.
func (r *Roll) decided(words []uint16) error {
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(words, &p); err != nil {
		return err
	}
	if p.Kind == handshake.KindHold {
		r.Verdict = "hold"
		return nil
	}
	r.Verdict = "go"
	points := record.SetpointsOf(&p)
	r.Overhang = OverhangOf(&p, &points)
	wrapped := r.Outcome == handshake.Wrapped || r.Outcome == handshake.WrappedByHand
	if wrapped && points.Groups.Has(recipe.GroupWeigh) && points.Gross > 0 {
		r.Gross = &points.Gross
	}
	return nil
}

// OverhangOf is the overhang in metres that a recipe gives the roll whose width stands in
// its payload, nil for a recipe without a wrapper.
func OverhangOf(p *handshake.Payload, points *recipe.Setpoints) *float64 {
	if points.WrapperWidth == 0 {
		return nil
	}
	const perMetre = 10_000
	overhang := (points.WrapperWidth - float64(p.Width)/perMetre) / 2
	return &overhang
}

// Finish adds up the rolls taken.
func (s *Shift) Finish() {
	s.Outcomes, s.Holds, s.Weighed = s.outcomes(), s.holds(), nil
	var deviations []float64
	for i := range s.Rolls {
		if d := s.Rolls[i].Deviation; d != nil {
			deviations = append(deviations, *d)
		}
	}
	if len(deviations) == 0 {
		return
	}
	mean, sd := stat.MeanSD(deviations)
	s.Weighed = &Weighed{Rolls: len(deviations), Mean: mean}
	if len(deviations) > 1 {
		s.Weighed.SD = &sd
	}
}

// outcomes counts the rolls by outcome, in the order of the handshake.
func (s *Shift) outcomes() []Count {
	var out []Count
	for k := handshake.Wrapped; k <= handshake.Lost; k++ {
		n := 0
		for i := range s.Rolls {
			if s.Rolls[i].Outcome == k {
				n++
			}
		}
		out = append(out, Count{k.String(), n})
	}
	return out
}

// holds counts the rolls that met a hold, by its code, the most first.
func (s *Shift) holds() []Count {
	out := []Count{}
	for i := range s.Rolls {
		for _, c := range s.Rolls[i].Holds {
			k := slices.IndexFunc(out, func(o Count) bool { return o.Name == string(c) })
			if k < 0 {
				out = append(out, Count{string(c), 1})
			} else {
				out[k].Rolls++
			}
		}
	}
	slices.SortFunc(out, func(a, b Count) int { return cmp.Or(cmp.Compare(b.Rolls, a.Rolls), cmp.Compare(a.Name, b.Name)) })
	return out
}
