package recipe

// Paper is the wrapper material of that name, nil when there is none.
func (m *Materials) Paper(name string) *Paper {
	for i := range m.Papers {
		if m.Papers[i].Name == name {
			return &m.Papers[i]
		}
	}
	return nil
}

// PaperOf is the wrapper material that hangs in a slot, nil when there is none.
func (l *Line) PaperOf(slot int) *Paper {
	for i := range l.Stand.Slots {
		if s := &l.Stand.Slots[i]; s.Number == slot {
			return l.Materials.Paper(s.Paper)
		}
	}
	return nil
}

// Head is the head material of that name, nil when there is none.
func (m *Materials) Head(name string) *HeadMaterial {
	for i := range m.Stock {
		if m.Stock[i].Name == name {
			return &m.Stock[i]
		}
	}
	return nil
}

// Grade is the grade of that code, nil when there is none.
func (m *Materials) Grade(code int) *Grade {
	for i := range m.Grades {
		if m.Grades[i].Code == code {
			return &m.Grades[i]
		}
	}
	return nil
}

// Core is the core of that code, nil when there is none.
func (m *Materials) Core(code int) *Core {
	for i := range m.Cores {
		if m.Cores[i].Code == code {
			return &m.Cores[i]
		}
	}
	return nil
}

// Spec is the wrap specification of that name, nil when there is none.
func (m *Materials) Spec(name string) *Spec {
	for i := range m.Specs {
		if m.Specs[i].Name == name {
			return &m.Specs[i]
		}
	}
	return nil
}

// largestCore is the core of greatest diameter, nil when there is none.
func (m *Materials) largestCore() *Core {
	var c *Core
	for i := range m.Cores {
		if c == nil || m.Cores[i].Diameter > c.Diameter {
			c = &m.Cores[i]
		}
	}
	return c
}

// SpecOf is the wrap specification that applies to the roll: the roll's own
// before its order's before its grade's. It is nil when none is named or the
// name is unknown; name is what was looked for.
func (l *Line) SpecOf(roll *Roll) (spec *Spec, name string) {
	name = roll.Spec
	if name == "" && roll.Order != nil {
		name = roll.Order.Spec
	}
	if name == "" {
		if g := l.Materials.Grade(roll.gradeCode()); g != nil {
			name = g.Spec
		}
	}
	if name == "" {
		return nil, ""
	}
	return l.Materials.Spec(name), name
}

// gradeCode is the grade of the roll, or of its order when the controller
// gave none; 0 when neither did.
func (r *Roll) gradeCode() int {
	if r.Grade == 0 && r.Order != nil {
		return r.Order.Grade
	}
	return r.Grade
}
