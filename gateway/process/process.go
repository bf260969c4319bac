// Package process watches the process of a line by its record: it hands the rolls
// to the tests of recipe/notice.
//
//	journal ─► record.History ─► record.Roll ─► Of ─► notice.Roll ─► notice.Watch ─► findings
//
// The daemon and a replay of the journal take the same way, and so find the
// same.
package process

import (
	"math"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/notice"
)

// Finding is a fault of the process, or the end of one.
type Finding = notice.Finding

// Codes are all codes of findings.
func Codes() []notice.Code { return notice.Codes() }

// Line is one line that is watched. Recipe may change between records. It is
// for one goroutine.
type Line struct {
	Recipe *recipe.Line

	history record.History
	watch   notice.Watch
	found   []Finding
}

// Add takes the next record of the journal, and returns the findings that begin
// or end with it. The slice is valid until the next call. The error is that of
// record.History.
func (l *Line) Add(s record.Stored) ([]Finding, error) {
	l.found = l.found[:0]
	rolls, err := l.history.Add(s)
	if err != nil {
		return nil, err
	}
	for _, r := range rolls {
		l.found = append(l.found, l.Roll(r)...)
	}
	return l.found, nil
}

// Roll takes a roll of which all is told, in place of its records.
func (l *Line) Roll(r *record.Roll) []Finding {
	roll := Of(l.Recipe, r)
	return l.watch.Add(&roll)
}

// Standard uncertainties that are not settings of a line (J).
const (
	overlapU      = 0.005 // m, of the overlap as the controller measures it
	layersStep    = 0.01  // turns, the last place of the report
	scaleU        = 5e-4  // of the reading, from roll to roll
	scaleLeastU   = 0.4   // kg, from roll to roll, of one that weighs tonnes
	scaleStanding = 2e-3  // of the reading, zero of the scale and mean density
	overhangU     = 0.002 // m, of a measured overhang
	pressureU     = 0.03  // of the pressure of the press, from roll to roll
	pressureOff   = 0.01  // of it, the gauge
)

// Of is what the record tells of a roll on a line.
func Of(line *recipe.Line, r *record.Roll) notice.Roll {
	out := notice.Roll{Number: r.Number}
	for i := range r.Rounds {
		for _, h := range r.Rounds[i].Request.Hung {
			out.Hung = append(out.Hung, h.Slot)
		}
	}
	used := r.Used()
	if used != nil {
		line = used.Basis.Acts.Line(line)
	}
	var measured recipe.Roll
	if used != nil {
		var stand recipe.Stand
		measured, stand = used.Request.Measurement()
		out.At, out.Platen = used.RequestAt.At, stand.Platen
		for _, d := range used.Request.Diameters {
			out.Samples = append(out.Samples, float64(d)/perMetre)
		}
		out.Reels = reels(line, &stand)
		out.Setpoint, out.Allowed = setpoint(line, r, used), line.Header.Allowance
	}
	o := r.Outcome
	if o == nil {
		return out
	}
	out.Slot = int(o.Outcome.Slot)
	out.Bare = o.Outcome.Outcome == handshake.Removed && o.Outcome.EncoderUsed == 0
	out.Drawn = float64(o.Outcome.EncoderUsed) / perMetre * (1 - line.Wrap.FeedSlip)
	slot, paper := hanging(line, out.Slot)
	if used == nil || paper == nil || o.Outcome.Outcome != handshake.Wrapped {
		return out
	}
	out.Feed = feed(line, &measured, paper, &o.Outcome, out.Drawn)
	out.Overhang = overhang(line, &measured, slot, &o.Outcome)
	out.Pressure = pressure(line, &o.Outcome)
	if w := o.Weighing; w != nil && w.Gross > 0 && w.Reading > 0 {
		out.Weighing = weighing(line, used, w)
		for i := range line.Materials.Papers {
			if p := &line.Materials.Papers[i]; p != paper {
				out.Others = append(out.Others, out.Drawn*slot.Width*(p.BasisWeight-paper.BasisWeight))
			}
		}
	}
	return out
}

// perMetre is how many of the smallest units of the wire are a metre.
const perMetre = 10000

// setpoint of the platens, °C: of the recipe that was in force, else as the
// controller reports it. For a roll that was not wrapped, which may well be held
// for a cold platen, it is that of its head; 0 where none tells.
func setpoint(line *recipe.Line, r *record.Roll, used *record.Round) float64 {
	const perKelvin = 10
	var p handshake.Payload
	if v := used.Verdict; v != nil && v.Verdict == handshake.Accepted && used.Offer != nil && handshake.DecodeStoredPayload(used.Offer.Payload, &p) == nil {
		return float64(p.Temperature) / perKelvin
	}
	if r.Outcome != nil && r.Outcome.Outcome.Temperature != 0 {
		return float64(r.Outcome.Outcome.Temperature) / perKelvin
	}
	roll, _ := used.Request.Measurement()
	spec, _ := line.SpecOf(&roll)
	if spec == nil || !line.Equipment.Header.Powered() {
		return 0
	}
	if head := line.Materials.Head(spec.Head); head != nil {
		return math.Round(head.Setpoint*perKelvin) / perKelvin // as the wire has it
	}
	return 0
}

// hanging is the slot of a number and the paper in it, nil where there is none.
func hanging(line *recipe.Line, number int) (*recipe.SlotSpec, *recipe.Paper) {
	for i := range line.Stand.Slots {
		if s := &line.Stand.Slots[i]; s.Number == number {
			return s, line.Materials.Paper(s.Paper)
		}
	}
	return nil, nil
}

func reels(line *recipe.Line, stand *recipe.Stand) []notice.Reel {
	var out []notice.Reel
	for i := range line.Stand.Slots {
		s := &line.Stand.Slots[i]
		if s.Number < 1 || s.Number > len(stand.Outer) {
			continue
		}
		if p := line.Materials.Paper(s.Paper); p != nil && stand.Outer[s.Number-1] > 0 {
			out = append(out, notice.Reel{
				Slot: s.Number, Outer: stand.Outer[s.Number-1], OuterU: line.Stand.OuterU,
				Caliper: p.Caliper, CaliperStanding: math.Hypot(p.CaliperU/p.Caliper, line.Wrap.FeedSlipU),
			})
		}
	}
	return out
}

// feed compares what was drawn with what the turns of the roll and the overlap
// take, πN(D + Nt) + overlap. A wrapper that ends within a turn has no overlap. A
// controller that reports the overlap it was told instead of the one it measured
// makes both equal, and nothing is found.
func feed(line *recipe.Line, roll *recipe.Roll, paper *recipe.Paper, o *handshake.Outcome, drawn float64) notice.Compared {
	n := float64(o.Layers) / 100
	whole := o.Layers%100 == 0
	if drawn == 0 || n == 0 || whole && o.Overlap == 0 {
		return notice.Compared{}
	}
	return notice.Compared{
		Expected: math.Pi*n*(roll.Diameter+n*paper.Caliper) + float64(o.Overlap)/perMetre,
		Measured: drawn,
		U: math.Sqrt(square(math.Pi*n*roll.DiameterU) + square(math.Pi*roll.Diameter*layersStep)/12 +
			square(overlapU)),
		Standing: math.Hypot(drawn/(1-line.Wrap.FeedSlip)*line.Wrap.FeedSlipU, math.Pi*n*n*paper.CaliperU),
	}
}

// overhang compares the measured overhang of a side with half of what the
// wrapper is wider than the roll. Where the roll lies under it is uncertain by
// the tolerance of the centring.
func overhang(line *recipe.Line, roll *recipe.Roll, slot *recipe.SlotSpec, o *handshake.Outcome) notice.Compared {
	if o.Overhang == 0 {
		return notice.Compared{}
	}
	return notice.Compared{
		Expected: (slot.Width - roll.Width) / 2, Measured: float64(o.Overhang) / perMetre,
		U:        math.Sqrt(square(roll.WidthU/2) + square(line.Centring.Tolerance)/3 + square(overhangU)),
		Standing: line.Stand.WidthU / 2,
	}
}

// pressure compares the pressure of the press with that of the configuration.
func pressure(line *recipe.Line, o *handshake.Outcome) notice.Compared {
	const perKilopascal = 1000
	p := line.Header.Pressure
	if o.Pressure == 0 || p == 0 {
		return notice.Compared{}
	}
	return notice.Compared{Expected: p, Measured: float64(o.Pressure) * perKilopascal, U: pressureU * p, Standing: pressureOff * p}
}

func square(v float64) float64 { return v * v }

// weighing compares the reading of the scale with the mass that was predicted.
func weighing(line *recipe.Line, used *record.Round, w *record.Weighing) notice.Compared {
	roll, stand := used.Request.Measurement()
	var r recipe.Recipe
	recipe.Compute(line, &roll, &stand, &r)
	if !(r.Uncertainty.Gross > 0) {
		return notice.Compared{} // by this configuration the mass is not predicted
	}
	return notice.Compared{
		Expected: w.Gross, Measured: w.Reading,
		U: math.Hypot(r.Uncertainty.Gross, scaleU*w.Gross), Standing: scaleStanding * w.Gross,
	}
}
