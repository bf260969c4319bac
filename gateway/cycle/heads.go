package cycle

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// headsOf are the heads that a recipe takes, where the line counts them.
func headsOf(line *recipe.Line, r *record.Request, d *Decision) (out []record.HeadsOf) {
	roll, _ := r.Measurement()
	spec, _ := line.SpecOf(&roll)
	if !line.Heads.Counted || d.Payload.Kind != handshake.KindRecipe || spec == nil {
		return nil
	}
	if v := d.Setpoints.OuterHead; v > 0 {
		out = append(out, record.HeadsOf{Material: spec.Head, Diameter: v})
	}
	if v := d.Setpoints.InnerHead; v > 0 {
		out = append(out, record.HeadsOf{Material: spec.InnerHead, Diameter: v})
	}
	return out
}

// askHeads answers whether a person's count of heads can be taken. Unless only that
// was asked, it is recorded.
func (m *Machine) askHeads(e CountHeads) {
	a := HeadsAnswer{Problems: m.headsProblems(&e)}
	if len(a.Problems) == 0 {
		a.Next = wording.Say("reply.stock.next", "count", e.Count, "number", e.Count/record.HeadsOfRoll)
	}
	m.do(a)
	switch {
	case len(a.Problems) > 0:
		m.tell(noteHeadsRefused, wording.Say("told.heads-refused", "by", e.By, "why", a.Problems[0]), Field{"by", e.By})
	case !e.Preview:
		m.journal(record.Heads{Material: e.Material, Diameter: e.Diameter, Count: e.Count, By: e.By, User: e.User})
		m.tell(noteHeads, wording.Say("told.heads-counted", "head", e.Material, "size", m.line.Write(e.Diameter, quantity.Length), "by", e.By, "next", a.Next), Field{"by", e.By})
		m.tellHeads()
	}
}

// headsProblems lists why a count of heads cannot be taken, and sets the diameter to
// that of the size that is meant.
func (m *Machine) headsProblems(e *CountHeads) (problems problems) {
	problems.add(e.By == "", wording.Say("refused.stock.name"))
	problems.add(!m.line.Heads.Counted, wording.Say("refused.stock.uncounted"))
	material := m.line.Materials.Head(e.Material)
	if material == nil {
		var names []string
		for i := range m.line.Materials.Stock {
			names = append(names, m.line.Materials.Stock[i].Name)
		}
		return append(problems, wording.Say("refused.stock.material", "head", strconv.Quote(e.Material), "choices", strings.Join(names, ", ")))
	}
	write := func(v float64) string { return m.line.Write(v, quantity.Length) }
	i := slices.IndexFunc(material.Diameters, func(d float64) bool { return math.Abs(d-e.Diameter) <= sameWidth })
	if i >= 0 {
		e.Diameter = material.Diameters[i]
	}
	var sizes []string
	for _, d := range material.Diameters {
		sizes = append(sizes, write(d))
	}
	problems.add(i < 0, wording.Say("refused.stock.size", "head", e.Material, "size", write(e.Diameter), "choices", strings.Join(sizes, ", ")))
	return problems
}

// tellHeads tells of sizes of heads that are left for few rolls more.
func (m *Machine) tellHeads() {
	for _, s := range m.mem.Acts.Heads {
		size := m.line.Write(s.Diameter, quantity.Length)
		key := condHeads + "/" + s.Material + " " + size
		if rolls := int(s.Left) / record.HeadsOfRoll; m.line.Heads.Counted && rolls < m.line.Stand.WarnRolls {
			m.raise(key, wording.SayCount("told.heads-run-out", rolls, "head", s.Material, "size", size), Field{"left", s.Left})
		} else {
			m.end(key)
		}
	}
}
