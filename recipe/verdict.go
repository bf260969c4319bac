package recipe

import (
	"math"

	"lapgate/recipe/mass"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// WeighVerdict is what a reading of the scale says of a wrapped roll, kg.
type WeighVerdict struct {
	Verdict mass.Verdict
	Reading float64
	Gross   float64 // expected
	Net     float64 // reading less tare, for the label
	Delta   float64 // reading less expected
	Allowed float64 // tolerance either way
	Guard   float64 // on top of it, within which a reading is only doubtful
	Causes  []WeighCause
}

// WeighCause is one likely cause of a reading that is off.
type WeighCause struct {
	Kind  mass.Kind
	Name  string  // of the grade or core
	Gross float64 // what the roll would weigh, kg
}

// Said is the cause in a sentence.
func (c *WeighCause) Said() wording.Said {
	switch c.Kind {
	case mass.WrongGrade:
		return wording.Say("cause.wrong-grade", "name", c.Name)
	case mass.WrongCore:
		return wording.Say("cause.wrong-core", "name", c.Name)
	case mass.WrongRoll:
		return wording.Say("cause.wrong-roll")
	case mass.NoOuterHeads:
		return wording.Say("cause.no-outer-heads")
	case mass.OneOuterHead:
		return wording.Say("cause.one-outer-head")
	case mass.NoInnerHeads:
		return wording.Say("cause.no-inner-heads")
	case mass.OneInnerHead:
		return wording.Say("cause.one-inner-head")
	case mass.NoWrapper:
		return wording.Say("cause.no-wrapper")
	case mass.DoubleWrapper:
		return wording.Say("cause.double-wrapper")
	}
	return wording.Say("cause.unknown")
}

// Said is the verdict in a sentence with its likely causes, in the units of
// the line.
func (v *WeighVerdict) Said(line *Line) wording.Said {
	kg := func(m float64) string { return line.Write(m, quantity.Mass) }
	reads := wording.Say("weighed.reads", "got", kg(v.Reading), "expected", kg(v.Gross), "tolerance", kg(v.Allowed))
	switch v.Verdict {
	case mass.Good:
		return reads
	case mass.Doubtful:
		reads = wording.Say("weighed.doubtful", "reads", reads, "off", kg(math.Abs(v.Delta)))
	case mass.Wrong:
		reads = wording.Say("weighed.wrong", "reads", reads, "off", kg(math.Abs(v.Delta)))
	default:
		return wording.Say("weighed.unreadable", "got", kg(v.Reading))
	}
	if len(v.Causes) == 0 {
		return wording.Say("weighed.no-cause", "reads", reads)
	}
	why := make([]wording.Said, len(v.Causes))
	for i := range v.Causes {
		why[i] = wording.Say("weighed.cause", "cause", v.Causes[i].Said(), "mass", kg(v.Causes[i].Gross))
	}
	return wording.Say("weighed.causes", "reads", reads, "causes", wording.Join("list.comma", why))
}

// mostCauses bounds how many causes are told.
const mostCauses = 3

// Weigh judges a reading of the scale, kg, for a roll that was wrapped with
// the setpoints. others are the expected gross masses of the rolls before and
// after, if known. A reading that nobody predicted, or that is no positive
// number, has the verdict mass.Unreadable.
func Weigh(line *Line, roll *Roll, sp *Setpoints, reading float64, others ...float64) WeighVerdict {
	v := WeighVerdict{Reading: reading, Gross: sp.Gross}
	spec, _ := line.SpecOf(roll)
	if !sp.Groups.Has(GroupWeigh) || spec == nil {
		return v
	}
	v.Net = reading - sp.Tare
	core := line.Materials.Core(roll.Core)
	paper, width := &Paper{}, 0.0
	for i := range line.Stand.Slots {
		if s := &line.Stand.Slots[i]; s.Number == sp.Slot {
			if p := line.Materials.Paper(s.Paper); p != nil {
				paper, width = p, s.Width
			}
		}
	}
	used := feedLength(roll.Diameter, paper.Caliper, spec, 0).Used
	item, ok := line.weighed(roll, width, paper, used, spec, sp.OuterHead, sp.InnerHead, sp.GlueMass)
	if !ok {
		return v
	}
	parts, err := item.Weigh()
	if err != nil {
		return v
	}
	if width == 0 {
		// The operator hung the wrapper: what is left of the tare is its mass.
		item.Wrapper = mass.Sheet{Length: 1, Width: 1, BasisWeight: math.Max(0, sp.Tare-parts.Tare())}
	}
	j := mass.Judge(reading, sp.Gross, parts.U, line.Scale.Tolerance, line.Limits.GuardK)
	v.Verdict, v.Delta, v.Allowed, v.Guard = j.Verdict, j.Delta, j.Allowed, j.Guard
	if v.Verdict != mass.Wrong && v.Verdict != mass.Doubtful {
		return v
	}
	v.explain(line, roll, core, &item, others)
	return v
}

// explain tells the likely causes of a reading that is off.
func (v *WeighVerdict) explain(line *Line, roll *Roll, core *Core, item *mass.Item, others []float64) {
	var alt mass.Alternatives
	var grades, cores []string
	for i := range line.Materials.Grades {
		if g := &line.Materials.Grades[i]; g.Code != roll.gradeCode() {
			alt.Densities = append(alt.Densities, g.Density)
			grades = append(grades, g.Name)
		}
	}
	for i := range line.Materials.Cores {
		if c := &line.Materials.Cores[i]; c != core {
			alt.Cores = append(alt.Cores, mass.Core{Diameter: c.Diameter, Linear: c.Mass})
			cores = append(cores, c.Name)
		}
	}
	alt.Rolls = others
	causes := mass.Explain(v.Reading, v.Gross, line.Scale.Tolerance, item.Causes(&alt, nil))
	for _, c := range causes[:min(len(causes), mostCauses)] {
		one := WeighCause{Kind: c.Kind, Gross: c.Gross}
		switch c.Kind {
		case mass.WrongGrade:
			one.Name = grades[c.Index]
		case mass.WrongCore:
			one.Name = cores[c.Index]
		}
		v.Causes = append(v.Causes, one)
	}
}
