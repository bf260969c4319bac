package recipe

import (
	"math"

	"lapgate/recipe/drive"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Step is one step of a computation as people read it: what was computed, by
// which formula, from what, and which limit decided.
type Step struct {
	Title   wording.Phrase `json:"title"`
	Formula wording.Phrase `json:"formula,omitzero"`
	Inputs  []Named        `json:"inputs,omitempty"`
	Result  []Named        `json:"result,omitempty"`
	Decided wording.Phrase `json:"decided_by,omitzero"`
	// Largest is the input that adds most to the standard uncertainty of the
	// result, and its share of the variance.
	Largest string `json:"largest_uncertainty,omitempty"`
}

// Named is a quantity with its name and its SI unit (temperatures in °C);
// the unit is empty for a pure number.
type Named struct {
	Name  wording.Phrase `json:"name"`
	Value float64        `json:"value"`
	Unit  string         `json:"unit,omitempty"`
}

// Text is the value as people read it on a line.
func (n *Named) Text(line *Line) string {
	if zones := SetpointOf("vacuum_zones"); n.Name.Key == zones.Said().Key {
		return zones.Write(line, n.Value)
	}
	return line.WriteUnit(n.Value, n.Unit)
}

// say says what stands in a step.
func say(key string, pairs ...any) wording.Phrase {
	return wording.Phrase{Said: wording.Say(key, pairs...)}
}

// Explain computes the recipe as Compute does, with the same functions, and
// tells each step. Stations that are not in force have no step; where a
// problem ended a step, the step says so.
func Explain(line *Line, roll *Roll, stand *Stand) []Step {
	var out Recipe
	j := job{line: line, roll: roll, stand: stand, out: &out}
	j.run()
	steps := j.explainRoll(nil)
	if j.spec != nil && !out.Has(RollInvalid) && !out.Has(CoreUnknown) {
		steps = j.explainHeads(steps)
		steps = j.explainSlot(steps)
		steps = j.explainFeed(steps)
		steps = j.explainSeat(steps)
		steps = j.explainCrimp(steps)
		steps = j.explainDrives(steps)
		steps = j.explainGlue(steps)
		steps = j.explainHeader(steps)
		steps = j.explainZones(steps)
		steps = j.explainMass(steps)
		steps = j.explainRisk(steps)
	}
	for _, s := range steps {
		// JSON has no NaN and no Inf.
		for i := range s.Inputs {
			s.Inputs[i].Value = bounded(s.Inputs[i].Value)
		}
		for i := range s.Result {
			s.Result[i].Value = bounded(s.Result[i].Value)
		}
	}
	return steps
}

// told is a setpoint of the recipe as a named quantity.
func (j *job) told(name string) Named {
	p := SetpointOf(name)
	return Named{wording.Phrase{Said: p.Said()}, p.Get(&j.out.Setpoints), quantity.SI(p.Dimension)}
}

func (j *job) explainRoll(steps []Step) []Step {
	r := j.roll
	s := Step{
		Title: say("step.roll"),
		Inputs: []Named{
			{say("quantity.diameter"), r.Diameter, "m"},
			{say("quantity.uncertainty-of-diameter"), r.DiameterU, "m"},
			{say("quantity.width"), r.Width, "m"},
			{say("quantity.uncertainty-of-width"), r.WidthU, "m"},
			{say("quantity.grade"), float64(r.gradeCode()), ""},
			{say("quantity.core"), float64(r.Core), ""},
		},
	}
	switch {
	case j.spec == nil:
		s.Decided = say("decided.no-spec")
	case r.Spec != "":
		s.Decided = say("decided.spec.roll", "spec", j.spec.Name)
	case r.Order != nil && r.Order.Spec != "":
		s.Decided = say("decided.spec.order", "spec", j.spec.Name)
	default:
		s.Decided = say("decided.spec.grade", "spec", j.spec.Name)
	}
	if j.core != nil {
		s.Result = []Named{{say("quantity.core-diameter"), j.core.Diameter, "m"}}
		if r.Core == 0 {
			s.Decided = say("decided.core-unknown", "what", s.Decided.Said)
		}
	}
	return append(steps, s)
}

func (j *job) explainHeads(steps []Step) []Step {
	if j.head != nil {
		steps = append(steps, j.headStep(say("step.outer-head"), j.head, j.line.Heads.MostOuter(j.line, j.roll), "outer_head_m"))
	}
	if j.inner != nil {
		steps = append(steps, j.headStep(say("step.inner-head"), j.inner, j.line.Heads.MostInner(j.line, j.roll), "inner_head_m"))
	}
	return steps
}

func (j *job) headStep(title wording.Phrase, m *HeadMaterial, most float64, setpoint string) Step {
	s := Step{
		Title:   title,
		Formula: say("formula.head"),
		Inputs:  []Named{{say("quantity.smallest-diameter"), j.roll.Extent().Smallest, "m"}, {say("quantity.greatest-head"), most, "m"}},
		Decided: say("decided.sizes", "count", len(m.Diameters), "head", m.Name),
	}
	size := j.told(setpoint)
	if size.Value == 0 {
		s.Decided = say("decided.sizes.none", "count", len(m.Diameters), "head", m.Name)
		return s
	}
	s.Result = []Named{size}
	return s
}

func (j *job) explainSlot(steps []Step) []Step {
	w, spec, x := j.window, j.spec, j.roll.Extent()
	inputs := []Named{
		{say("quantity.optimum"), spec.Overhang.Optimum, "m"},
		{say("quantity.minimum"), spec.Overhang.Min, "m"},
		{say("quantity.maximum"), spec.Overhang.Max, "m"},
		{say("quantity.centring-tolerance"), j.line.Centring.Tolerance, "m"},
		{say("quantity.narrowest-width"), x.Narrowest, "m"},
		{say("quantity.widest-width"), x.Widest, "m"},
		{say("quantity.smallest-diameter"), x.Smallest, "m"},
		{say("quantity.largest-diameter"), x.Largest, "m"},
		{say("quantity.guard-band-of-the-widths"), j.line.Limits.GuardK * j.rules.u[ByMinimum], "m"},
		{say("quantity.clearance-to-the-core"), j.line.Crimp.Clearance, "m"},
	}
	if head := j.out.Setpoints.OuterHead; head > 0 {
		inputs = append(inputs, Named{say("quantity.least-lap"), spec.MinLap, "m"}, Named{say("quantity.outer-head"), head, "m"}, Named{say("quantity.placement-of-the-head"), j.line.Heads.Placement, "m"})
	}
	s := Step{
		Title:   say("step.window"),
		Formula: say("formula.window"),
		Inputs:  inputs,
		Result: []Named{
			{say("quantity.least-overhang"), w.Overhang.Min, "m"},
			{say("quantity.greatest-overhang"), w.Overhang.Max, "m"},
			{say("quantity.least-wrapper-width"), w.Widths.Min, "m"},
			{say("quantity.greatest-wrapper-width"), w.Widths.Max, "m"},
		},
		Decided: say("decided.window", "lower", w.Lower.Said(), "upper", w.Upper.Said()),
	}
	steps = append(steps, s)
	if w.Empty() {
		last := &steps[len(steps)-1]
		last.Decided = say("decided.window.none", "what", last.Decided.Said)
		return steps
	}
	for i := range j.line.Stand.Slots {
		steps = append(steps, j.slotStep(&j.line.Stand.Slots[i]))
	}
	return steps
}

func (j *job) slotStep(slot *SlotSpec) Step {
	c, paper := j.judge(slot)
	s := Step{
		Title:   say("step.slot", "slot", c.Slot.Number),
		Formula: say("formula.slot"),
		Inputs:  []Named{{say("quantity.wrapper-width"), c.Slot.Width, "m"}},
		Result: []Named{
			{say("quantity.overhang"), c.Overhang, "m"},
			{say("quantity.from-optimum"), math.Abs(c.Overhang - j.spec.Overhang.Optimum), "m"},
		},
		Decided: wording.Phrase{Said: c.Fit.Said()},
	}
	if paper != nil {
		s.Inputs = append(s.Inputs, Named{say("quantity.caliper"), paper.Caliper, "m"})
		if outer := j.stand.Outer[c.Slot.Number-1]; outer != 0 {
			s.Inputs = append(s.Inputs, Named{say("quantity.outer-diameter"), outer, "m"}, Named{say("quantity.core-of-the-wrapper-roll"), j.line.Stand.CoreDiameter, "m"})
		}
		if counted := j.stand.Counted[c.Slot.Number-1]; counted.Known {
			s.Inputs = append(s.Inputs, Named{say("quantity.left-by-consumption"), counted.Length, "m"})
		}
		s.Inputs = append(s.Inputs, Named{say("quantity.needed"), c.Need, "m"})
	}
	if math.IsInf(c.Left, 1) {
		s.Decided = say("decided.fit.unknown", "fit", s.Decided.Said)
	} else {
		s.Result = append(s.Result, Named{say("quantity.left"), c.Left, "m"}, Named{say("quantity.uncertainty-of-what-is-left"), c.LeftU, "m"})
	}
	if c.Slot == j.chosen {
		s.Result = append(s.Result, Named{say("quantity.standard-uncertainty-of-the-overhang"), j.overhangU.total(), "m"})
		s.Largest = j.overhangU.text()
		s.Decided = say("decided.chosen")
	}
	return s
}

func (j *job) explainFeed(steps []Step) []Step {
	sp, w := &j.out.Setpoints, &j.line.Wrap
	if !sp.Groups.Has(GroupWrap) {
		return steps
	}
	return append(steps, Step{
		Title:   say("step.feed"),
		Formula: say("formula.feed"),
		Inputs: []Named{
			{say("quantity.layers"), j.spec.Layers, ""},
			{say("quantity.diameter"), j.roll.Diameter, "m"},
			{say("quantity.caliper"), j.paper.Caliper, "m"},
			{say("quantity.overlap"), j.spec.Overlap, "m"},
			{say("quantity.tail"), j.spec.Tail, "m"},
			{say("quantity.feed-slip"), w.FeedSlip, ""},
			{say("quantity.counts-per-metre"), w.CountsPerMetre, ""},
		},
		Result: []Named{
			{say("quantity.on-the-roll"), j.used, "m"},
			j.told("feed_length_m"),
			j.told("feed_counts"),
			{say("quantity.standard-uncertainty"), j.out.Uncertainty.FeedLength, "m"},
		},
		Decided: say("decided.feed", "spec", j.spec.Name),
		Largest: j.feedU.text(),
	}, Step{
		Title:   say("step.wrap-time"),
		Formula: say("formula.wrap-time"),
		Inputs: []Named{
			j.told("feed_length_m"),
			j.told("wrap_speed_m_s"),
			{say("quantity.acceleration"), j.feedMove.Accel, "m/s2"},
			{say("quantity.deceleration"), j.feedMove.Decel, "m/s2"},
		},
		Result:  []Named{j.told("wrap_time_s")},
		Decided: rampsBy(&j.feedMove, w.Accel, w.Decel, "wrap"),
	})
}

func (j *job) explainCrimp(steps []Step) []Step {
	sp, p := &j.out.Setpoints, &j.crimp
	if !sp.Groups.Has(GroupCrimp) {
		return steps
	}
	decided := say("decided.speed", "setting", "crimp.speed")
	switch asked := math.Min(j.line.Crimp.Speed, j.spec.CrimpSpeed); {
	case p.Move.Speed < asked && p.Move.Speed < j.power.fastest:
		decided = say("decided.speed.crimpers")
	case p.Move.Speed < asked:
		decided = say("decided.speed.turning")
	case j.spec.CrimpSpeed < j.line.Crimp.Speed:
		decided = say("decided.speed.spec", "setting", "crimp_speed")
	}
	decided = say("decided.crimp", "what", decided.Said, "rest", rampsBy(&p.Move, j.line.Crimp.Accel, j.line.Crimp.Decel, "crimp").Said)
	if p.Peak < p.Move.Speed {
		decided = say("decided.crimp.short", "what", decided.Said)
	}
	steps = append(steps, Step{
		Title:   say("step.crimp"),
		Formula: say("formula.crimp"),
		Inputs: []Named{
			j.told("crimp_turns"),
			{say("quantity.wrapped-diameter"), j.wrapped, "m"},
			{say("quantity.speed"), p.Move.Speed, "m/s"},
			{say("quantity.acceleration"), p.Move.Accel, "m/s2"},
			{say("quantity.deceleration"), p.Move.Decel, "m/s2"},
			{say("quantity.slip-limit"), j.seat.Accel, "m/s2"},
			{say("quantity.engage"), j.line.Crimp.Engage, "s"},
			{say("quantity.retract"), j.line.Crimp.Retract, "s"},
		},
		Result: []Named{
			{say("quantity.path"), p.Move.Path, "m"},
			{say("quantity.speed-reached"), p.Peak, "m/s"},
			{say("quantity.turning"), p.Moving, "s"},
			j.told("crimp_time_s"),
			j.told("crimper_position_m"),
			j.told("crimper_pressure_pa"),
		},
		Decided: decided,
	})
	return j.explainPleats(steps)
}

// rampsBy says what limits the ramps: the settings or the grip of the cradle.
func rampsBy(move *drive.Move, accel, decel float64, section string) wording.Phrase {
	if move.Accel < accel || move.Decel < decel {
		return say("decided.ramps.slip")
	}
	return say("decided.ramps", "setting", section)
}

func (j *job) explainHeader(steps []Step) []Step {
	sp, h, p := &j.out.Setpoints, &j.line.Header, &j.header
	if !sp.Groups.Has(GroupHeader) {
		return steps
	}
	decided := say("decided.platen")
	if !p.measured {
		decided = say("decided.platen.none")
	}
	u := h.UncertaintyOf(j.head)
	s := Step{
		Title:   say("step.header"),
		Formula: say("formula.header"),
		Inputs: []Named{
			j.told("header_temperature_c"),
			{say("quantity.cooler-platen"), j.stand.Platen, "°C"},
			{say("quantity.hotter-platen"), j.stand.Hotter(), "°C"},
			{say("quantity.platen-taken-to-fall"), p.Falling, "K"},
			{say("quantity.bond-target"), p.Target.Bond(), "°C"},
			{say("quantity.water-to-drive-out"), p.Water, "kg/m2"},
			{say("quantity.start"), h.Start, "°C"},
			{say("quantity.thickness"), j.head.Thickness, "m"},
			{say("quantity.conductivity"), j.head.Conductivity, "W/mK"},
			{say("quantity.density"), j.head.Density, "kg/m3"},
			{say("quantity.heat-capacity"), j.head.HeatCapacity, "J/kgK"},
			{say("quantity.effusivity-of-the-backing"), h.Backing, "J/m2K√s"},
			{say("quantity.its-relative-uncertainty"), u.BackingEffusivity, ""},
			{say("quantity.force-of-a-platen"), p.Force, "N"},
			j.told("contact_pressure_pa"),
			{say("quantity.contact-conductance"), p.At.Head.Conductance, "W/m2K"},
			{say("quantity.its-relative-uncertainty"), u.Conductance, ""},
		},
		Result: []Named{
			{say("quantity.biot-number"), p.At.Head.Biot(), ""},
			j.told("header_dwell_fast_s"),
			j.told("header_dwell_nominal_s"),
			{say("quantity.standard-uncertainty"), j.out.Uncertainty.Dwell, "s"},
			{say("quantity.distance-of-the-design-point"), p.Design.Distance, ""},
			j.told("header_dwell_s"),
			j.told("header_close_min_c"),
			j.told("header_close_max_c"),
			{say("quantity.dose-of-the-face-at-most"), p.Dose, "s"},
			j.told("platen_stroke_m"),
		},
		Decided: decided,
		Largest: j.dwellU.text(),
	}
	if area, err := p.Ring.Area(); err == nil && p.Contact > 0 {
		s.Inputs = append(s.Inputs, Named{say("quantity.area-of-the-ring"), area, "m2"}, Named{say("quantity.conductance-as-measured"), h.Conductance, "W/m2K"},
			Named{say("quantity.pressure-it-was-measured-at"), h.Reference, "Pa"}, Named{say("quantity.exponent-of-the-pressure"), h.Exponent, ""})
	}
	return append(steps, s)
}
