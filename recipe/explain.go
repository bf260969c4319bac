package recipe

import (
	"fmt"
	"math"

	"lapgate/recipe/drive"
	"lapgate/recipe/quantity"
)

// Step is one step of a computation as people read it: what was computed, by
// which formula, from what, and which limit decided.
type Step struct {
	Title   string  `json:"title"`
	Formula string  `json:"formula,omitempty"`
	Inputs  []Named `json:"inputs,omitempty"`
	Result  []Named `json:"result,omitempty"`
	Decided string  `json:"decided_by,omitempty"`
	// Largest is the input that adds most to the standard uncertainty of the
	// result, and its share of the variance.
	Largest string `json:"largest_uncertainty,omitempty"`
}

// Named is a quantity with its name and its SI unit (temperatures in °C);
// the unit is empty for a pure number.
type Named struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit,omitempty"`
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
	return Named{p.Label, p.Get(&j.out.Setpoints), quantity.SI(p.Dimension)}
}

func (j *job) explainRoll(steps []Step) []Step {
	r := j.roll
	s := Step{
		Title: "Roll and specification",
		Inputs: []Named{
			{"diameter", r.Diameter, "m"},
			{"uncertainty of diameter", r.DiameterU, "m"},
			{"width", r.Width, "m"},
			{"uncertainty of width", r.WidthU, "m"},
			{"grade", float64(r.gradeCode()), ""},
			{"core", float64(r.Core), ""},
		},
	}
	switch {
	case j.spec == nil:
		s.Decided = "no wrap specification is known for the roll"
	case r.Spec != "":
		s.Decided = "specification " + j.spec.Name + ", named with the roll"
	case r.Order != nil && r.Order.Spec != "":
		s.Decided = "specification " + j.spec.Name + ", named by the order"
	default:
		s.Decided = "specification " + j.spec.Name + ", named by the grade"
	}
	if j.core != nil {
		s.Result = []Named{{"core diameter", j.core.Diameter, "m"}}
		if r.Core == 0 {
			s.Decided += "; core not told, the largest is assumed"
		}
	}
	return append(steps, s)
}

func (j *job) explainHeads(steps []Step) []Step {
	if j.head != nil {
		steps = append(steps, j.headStep("Outer head", j.head, j.line.Heads.MostOuter(j.line, j.roll), "outer_head_m"))
	}
	if j.inner != nil {
		steps = append(steps, j.headStep("Inner head", j.inner, j.line.Heads.MostInner(j.line, j.roll), "inner_head_m"))
	}
	return steps
}

func (j *job) headStep(title string, m *HeadMaterial, most float64, setpoint string) Step {
	s := Step{
		Title:   title,
		Formula: "the largest size in stock that surely stays inside the edge of the roll at its smallest diameter",
		Inputs:  []Named{{"smallest diameter", j.roll.Extent().Smallest, "m"}, {"greatest head", most, "m"}},
		Decided: fmt.Sprintf("%d sizes of %s in stock", len(m.Diameters), m.Name),
	}
	size := j.told(setpoint)
	if size.Value == 0 {
		s.Decided += ", none small enough"
		return s
	}
	s.Result = []Named{size}
	return s
}

func (j *job) explainSlot(steps []Step) []Step {
	w, spec, x := j.window, j.spec, j.roll.Extent()
	inputs := []Named{
		{"optimum", spec.Overhang.Optimum, "m"},
		{"minimum", spec.Overhang.Min, "m"},
		{"maximum", spec.Overhang.Max, "m"},
		{"centring tolerance", j.line.Centring.Tolerance, "m"},
		{"narrowest width", x.Narrowest, "m"},
		{"widest width", x.Widest, "m"},
		{"smallest diameter", x.Smallest, "m"},
		{"largest diameter", x.Largest, "m"},
		{"guard band of the widths", j.line.Limits.GuardK * j.rules.u[ByMinimum], "m"},
		{"clearance to the core", j.line.Crimp.Clearance, "m"},
	}
	if head := j.out.Setpoints.OuterHead; head > 0 {
		inputs = append(inputs, Named{"least lap", spec.MinLap, "m"}, Named{"outer head", head, "m"}, Named{"placement of the head", j.line.Heads.Placement, "m"})
	}
	s := Step{
		Title:   "Window of the overhang",
		Formula: "o − e ≥ min, o − e − (R + N·t − R_head) − placement ≥ lap, o + e ≤ max, o + e ≤ R − R_core − clearance",
		Inputs:  inputs,
		Result: []Named{
			{"least overhang", w.Overhang.Min, "m"},
			{"greatest overhang", w.Overhang.Max, "m"},
			{"least wrapper width", w.Widths.Min, "m"},
			{"greatest wrapper width", w.Widths.Max, "m"},
		},
		Decided: "below by the " + w.Lower.String() + ", above by the " + w.Upper.String(),
	}
	steps = append(steps, s)
	if w.Empty() {
		steps[len(steps)-1].Decided += "; no width would do"
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
		Title:   fmt.Sprintf("Slot %d", c.Slot.Number),
		Formula: "o = (Ww − Wr)/2, left = π(OD² − ID²)/(4t)",
		Inputs:  []Named{{"wrapper width", c.Slot.Width, "m"}},
		Result: []Named{
			{"overhang", c.Overhang, "m"},
			{"from optimum", math.Abs(c.Overhang - j.spec.Overhang.Optimum), "m"},
		},
		Decided: c.Fit.String(),
	}
	if paper != nil {
		s.Inputs = append(s.Inputs, Named{"caliper", paper.Caliper, "m"}, Named{"needed", c.Need, "m"})
	}
	if math.IsInf(c.Left, 1) {
		s.Decided += ", length left not known"
	} else {
		s.Result = append(s.Result, Named{"left", c.Left, "m"}, Named{"uncertainty of what is left", c.LeftU, "m"})
	}
	if c.Slot == j.chosen {
		s.Result = append(s.Result, Named{"standard uncertainty of the overhang", j.overhangU.total(), "m"})
		s.Largest = j.overhangU.text()
		s.Decided = "chosen: nearest to the optimum; ties go to the wider sheet, then to the slot with less left, then to the lower number"
	}
	return s
}

func (j *job) explainFeed(steps []Step) []Step {
	sp, w := &j.out.Setpoints, &j.line.Wrap
	if !sp.Groups.Has(GroupWrap) {
		return steps
	}
	return append(steps, Step{
		Title:   "Feed length",
		Formula: "L = (πN(D + N·t) + overlap + tail)/(1 − slip), rounded up to whole counts",
		Inputs: []Named{
			{"layers", j.spec.Layers, ""},
			{"diameter", j.roll.Diameter, "m"},
			{"caliper", j.paper.Caliper, "m"},
			{"overlap", j.spec.Overlap, "m"},
			{"tail", j.spec.Tail, "m"},
			{"feed slip", w.FeedSlip, ""},
			{"counts per metre", w.CountsPerMetre, ""},
		},
		Result: []Named{
			{"on the roll", j.used, "m"},
			j.told("feed_length_m"),
			j.told("feed_counts"),
			{"standard uncertainty", j.out.Uncertainty.FeedLength, "m"},
		},
		Decided: "specification " + j.spec.Name + "; the knife cuts at the last count",
		Largest: j.feedU.text(),
	}, Step{
		Title:   "Wrap time",
		Formula: "S/v + v/2·(1/a + 1/d), or √(2S(a+d)/(ad)) when the speed is not reached",
		Inputs: []Named{
			j.told("feed_length_m"),
			j.told("wrap_speed_m_s"),
			{"acceleration", j.feedMove.Accel, "m/s2"},
			{"deceleration", j.feedMove.Decel, "m/s2"},
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
	decided := "speed by crimp.speed"
	switch asked := math.Min(j.line.Crimp.Speed, j.spec.CrimpSpeed); {
	case p.Move.Speed < asked && p.Move.Speed < j.power.fastest:
		decided = "speed by the frequency limit of the crimpers"
	case p.Move.Speed < asked:
		decided = "speed by the frequency limit of the turning rolls"
	case j.spec.CrimpSpeed < j.line.Crimp.Speed:
		decided = "speed by crimp_speed of the specification"
	}
	decided += ", " + rampsBy(&p.Move, j.line.Crimp.Accel, j.line.Crimp.Decel, "crimp")
	if p.Peak < p.Move.Speed {
		decided += "; the path is too short for the full speed"
	}
	steps = append(steps, Step{
		Title:   "Crimp",
		Formula: "S = n·π(D + 2Nt) from rest to rest, with engaging and retracting",
		Inputs: []Named{
			j.told("crimp_turns"),
			{"wrapped diameter", j.wrapped, "m"},
			{"speed", p.Move.Speed, "m/s"},
			{"acceleration", p.Move.Accel, "m/s2"},
			{"deceleration", p.Move.Decel, "m/s2"},
			{"slip limit", j.seat.Accel, "m/s2"},
			{"engage", j.line.Crimp.Engage, "s"},
			{"retract", j.line.Crimp.Retract, "s"},
		},
		Result: []Named{
			{"path", p.Move.Path, "m"},
			{"speed reached", p.Peak, "m/s"},
			{"turning", p.Moving, "s"},
			j.told("crimp_time_s"),
			j.told("crimper_position_m"),
			j.told("crimper_pressure_pa"),
		},
		Decided: decided,
	})
	return j.explainPleats(steps)
}

// rampsBy says what limits the ramps: the settings or the grip of the cradle.
func rampsBy(move *drive.Move, accel, decel float64, section string) string {
	if move.Accel < accel || move.Decel < decel {
		return "ramps by the slip limit of the cradle"
	}
	return "ramps by " + section
}

func (j *job) explainHeader(steps []Step) []Step {
	sp, h, p := &j.out.Setpoints, &j.line.Header, &j.header
	if !sp.Groups.Has(GroupHeader) {
		return steps
	}
	decided := "the cooler platen as measured"
	if !p.measured {
		decided = "the setpoint, as nobody measured a platen"
	}
	u := h.UncertaintyOf(j.head)
	return append(steps, Step{
		Title:   "Header",
		Formula: "p = F/A over the ring of the fold, h = h₀·(p/p₀)ⁿ; time until the colder side of the bond line is warm, and dry, with head and backing in two layers, at the unfavourable end of every uncertainty",
		Inputs: []Named{
			j.told("header_temperature_c"),
			{"cooler platen", j.stand.Platen, "°C"},
			{"hotter platen", j.stand.Hotter(), "°C"},
			{"platen taken to fall", p.Falling, "K"},
			{"bond target", p.Target.Bond(), "°C"},
			{"water to drive out", p.Water, "kg/m2"},
			{"start", h.Start, "°C"},
			{"thickness", j.head.Thickness, "m"},
			{"conductivity", j.head.Conductivity, "W/mK"},
			{"density", j.head.Density, "kg/m3"},
			{"heat capacity", j.head.HeatCapacity, "J/kgK"},
			{"effusivity of the backing", h.Backing, "J/m2K√s"},
			{"its relative uncertainty", u.BackingEffusivity, ""},
			{"force of a platen", p.Force, "N"},
			j.told("contact_pressure_pa"),
			{"contact conductance", p.At.Head.Conductance, "W/m2K"},
			{"its relative uncertainty", u.Conductance, ""},
		},
		Result: []Named{
			{"Biot number", p.At.Head.Biot(), ""},
			j.told("header_dwell_fast_s"),
			j.told("header_dwell_nominal_s"),
			{"standard uncertainty", j.out.Uncertainty.Dwell, "s"},
			{"distance of the design point", p.Design.Distance, ""},
			j.told("header_dwell_s"),
			j.told("header_close_min_c"),
			j.told("header_close_max_c"),
			{"dose of the face at most, at 180 °C", p.Dose, "s"},
			j.told("platen_stroke_m"),
		},
		Decided: decided,
		Largest: j.dwellU.text(),
	})
}
