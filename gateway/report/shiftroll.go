package report

import (
	"fmt"
	"math"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Roll is one roll that left the station. It is one row of the report's table and of an
// export of the journal; the names of its columns stay. What was used is what the
// controller reported; what is of a recipe is of the newest decision on the roll.
type Roll struct {
	Line      string                `json:"line" print:"drop=30"`
	Number    uint32                `json:"roll_no" label:"number"`
	Tag       string                `json:"roll"` // empty where no request told it
	CameAt    *time.Time            `json:"came_at,omitempty" print:"drop=20"`
	LeftAt    time.Time             `json:"left_at"`
	Outcome   handshake.OutcomeKind `json:"outcome" print:"words=outcome"`
	Mode      string                `json:"mode,omitempty" print:"drop=14,words=report.way,head=way"` // offered, override or shadow
	Verdict   string                `json:"last_verdict,omitempty" print:"drop=13,words=page.verdict"`
	Holds     []recipe.Code         `json:"holds,omitempty"`
	Diameter  *float64              `json:"diameter_m,omitempty" label:"diameter" print:"drop=18"`
	Width     *float64              `json:"width_m,omitempty" label:"width" print:"drop=17"`
	Slot      uint16                `json:"slot,omitempty" print:"drop=15"` // used
	Wrapper   *float64              `json:"wrapper_width_m,omitempty" label:"wrapper width" print:"drop=16"`
	Overhang  *float64              `json:"overhang_m,omitempty" label:"overhang"` // each side, of the recipe
	Measured  *float64              `json:"measured_overhang_m,omitempty" label:"measured overhang" print:"drop=28"`
	Layers    *float64              `json:"layers,omitempty" print:"drop=22"`                                     // used
	Fed       *float64              `json:"fed_m,omitempty" label:"fed" print:"drop=23"`                          // by the encoder
	Crimp     *float64              `json:"crimp_time_s,omitempty" label:"crimp time" print:"drop=24"`            // used
	Platen    *float64              `json:"platen_c,omitempty" label:"platen" print:"drop=26"`                    // used
	Dwell     *float64              `json:"header_dwell_s,omitempty" label:"header dwell" print:"drop=25"`        // used
	Head      *float64              `json:"outer_head_m,omitempty" label:"outer head" print:"drop=27"`            // used
	Gross     *float64              `json:"gross_kg,omitempty" label:"gross" print:"drop=12"`                     // of the recipe
	Tare      *float64              `json:"tare_kg,omitempty" label:"tare" print:"drop=29"`                       // of the recipe
	Scale     *float64              `json:"scale_kg,omitempty" label:"scale"`                                     // reading
	Delta     *float64              `json:"scale_deviation_kg,omitempty" label:"scale deviation" print:"drop=11"` // of the reading from our gross
	Deviation *float64              `json:"scale_deviation_percent,omitempty" label:"-"`
	Weighed   string                `json:"weighed,omitempty" print:"drop=19,words=weighed.verdict"` // what was said of the reading
	Stay      *float64              `json:"station_s,omitempty" label:"time at station" print:"drop=21"`

	left record.Stamp // of the outcome

	// OverhangMin and OverhangMax are the window by the configuration of the report.
	OverhangMin *float64 `json:"overhang_min_m,omitempty" label:"least overhang" print:"drop=32"`
	OverhangMax *float64 `json:"overhang_max_m,omitempty" label:"greatest overhang" print:"drop=31"`
}

// RollOf is the row of a roll that left the station of a line. recipe.Line gives the
// window of its overhang, and may be nil. An error means a recorded payload that cannot
// be read.
func RollOf(name string, line *recipe.Line, roll *record.Roll) (Roll, error) {
	o := &roll.Outcome.Outcome
	r := Roll{Line: name, Number: o.RollNo, Tag: roll.Tag, LeftAt: roll.OutcomeAt.At, Outcome: o.Outcome, Slot: o.Slot, left: roll.OutcomeAt}
	r.used(o)
	if w := roll.Outcome.Weighing; w != nil {
		r.Weighed = w.Verdict
	}
	for i := range roll.Rounds {
		round := &roll.Rounds[i]
		if i == 0 {
			came := round.RequestAt.At
			r.CameAt = &came
			stay := r.LeftAt.Sub(came).Seconds()
			r.Stay = &stay
		}
		words, findings, ok := round.Decided()
		for _, f := range findings {
			if f.Severity == recipe.Hold && !slices.Contains(r.Holds, f.Code) {
				r.Holds = append(r.Holds, f.Code)
			}
		}
		if ok && round.Request.Token == (handshake.Token{Boot: o.Boot, Req: o.Req}) {
			r.Mode = modeOf(round)
			m := &round.Request.Measured
			r.Diameter, r.Width = &m.Diameter, &m.Width
			if err := r.decided(line, round, words); err != nil {
				return r, fmt.Errorf("roll %d: %w", roll.Number, err)
			}
		}
	}
	if r.Gross != nil && r.Scale != nil {
		delta := *r.Scale - *r.Gross
		share := delta / *r.Gross * 100
		r.Delta, r.Deviation = &delta, &share
	}
	return r, nil
}

func modeOf(round *record.Round) string {
	switch {
	case round.Offer == nil:
		return "shadow"
	case round.Offer.Origin == handshake.Override:
		return "override"
	}
	return "offered"
}

// used takes what the controller reported; 0 is what it did not.
func (r *Roll) used(o *handshake.Outcome) {
	const perMetre = 10_000
	for _, f := range []struct {
		to  **float64
		raw uint32
		one float64
	}{
		{&r.Measured, uint32(o.Overhang), perMetre}, {&r.Layers, uint32(o.Layers), 100}, {&r.Fed, o.EncoderUsed, perMetre}, {&r.Crimp, uint32(o.CrimpTime), 100},
		{&r.Platen, uint32(o.Temperature), 10}, {&r.Dwell, uint32(o.Dwell), 100}, {&r.Head, uint32(o.OuterHead), 1000}, {&r.Scale, o.Scale, 10},
	} {
		if f.raw > 0 {
			v := float64(f.raw) / f.one
			*f.to = &v
		}
	}
}

// decided takes what our last decision on the roll was.
func (r *Roll) decided(line *recipe.Line, round *record.Round, words []uint16) error {
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(words, &p); err != nil {
		return err
	}
	r.Wrapper, r.Overhang, r.OverhangMin, r.OverhangMax, r.Gross, r.Tare = nil, nil, nil, nil, nil, nil
	if p.Kind == handshake.KindHold {
		r.Verdict = "hold"
		return nil
	}
	r.Verdict = "go"
	points := record.SetpointsOf(&p)
	if r.Overhang = OverhangOf(&p, &points); r.Overhang != nil {
		r.Wrapper = &points.WrapperWidth
		r.window(line, round, points.Slot)
	}
	wrapped := r.Outcome == handshake.Wrapped || r.Outcome == handshake.WrappedByHand
	if wrapped && points.Groups.Has(recipe.GroupWeigh) && points.Gross > 0 {
		r.Gross, r.Tare = &points.Gross, &points.Tare
	}
	return nil
}

// window takes the window of the overhang, where it is known.
func (r *Roll) window(line *recipe.Line, round *record.Round, slot int) {
	if line == nil {
		return
	}
	roll, _ := round.Request.Measurement()
	w, ok := recipe.WrapperWindow(round.Basis.Acts.Line(line), &roll, slot)
	if ok && !w.Empty() && !math.IsNaN(w.Overhang.Min) {
		r.OverhangMin, r.OverhangMax = &w.Overhang.Min, &w.Overhang.Max
	}
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

// outside tells whether the recipe left the window. The wire rounds widths to 0.1 mm,
// so that an overhang at its limit may lie 0.1 mm beyond it.
func (r *Roll) outside() bool {
	const wire = 1e-4
	return r.Overhang != nil && r.OverhangMin != nil && (*r.Overhang < *r.OverhangMin-wire || *r.Overhang > *r.OverhangMax+wire)
}

// need is what a roll that left asks of somebody.
type need int

const (
	needLost need = iota
	needAborted
	needHeavy
	needOutside
	needs
)

var needKeys = [needs]string{"report.need.lost", "report.need.aborted", "report.need.heavy", "report.need.outside"}

func (r *Roll) needs() (out []need) {
	switch r.Outcome {
	case handshake.Lost:
		out = append(out, needLost)
	case handshake.Aborted:
		out = append(out, needAborted)
	}
	if r.Weighed == "wrong" {
		out = append(out, needHeavy)
	}
	if r.outside() {
		out = append(out, needOutside)
	}
	return out
}
