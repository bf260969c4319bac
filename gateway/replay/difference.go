package replay

import (
	"cmp"
	"maps"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// Change is one setpoint that differs. Where a side does not have it in force,
// it came or went and there is no amount.
type Change struct {
	Field    *Field
	Old, New Value
}

// Amount is new less old on the wire; ok is false where there is none.
func (c *Change) Amount() (raw int64, ok bool) {
	if !c.Old.InForce || !c.New.InForce || c.Field.Names() {
		return 0, false
	}
	return c.New.Raw - c.Old.Raw, true
}

// slotName is a number that names something: another slot is not more or less.
const slotName = "wrapper_slot"

// Names tells of a setpoint that names something, so that another one is neither more nor
// less.
func (f *Field) Names() bool { return f.Form == recipe.Bits || f.Name == slotName }

// Values are the setpoint before and after, and new less old, in SI; nil for
// what is not in force and for a difference that has no amount.
func (c *Change) Values() (before, after, change *float64) {
	if c.Old.InForce {
		v := c.Field.wire.SI(c.Old.Raw)
		before = &v
	}
	if c.New.InForce {
		v := c.Field.wire.SI(c.New.Raw)
		after = &v
	}
	if raw, ok := c.Amount(); ok {
		v := scaled(raw, c.Field.Scale)
		change = &v
	}
	return before, after, change
}

// Sign is what makes two findings the same: their words may differ.
type Sign struct {
	Code  recipe.Code `json:"code"`
	Field string      `json:"field"`
}

// Difference is what differs between two decisions on one case.
type Difference struct {
	Case     *Case
	Old, New *Side
	Changes  []Change // in register order, of two recipes
	Appeared []Sign   // findings of the new side alone, in its order
	Gone     []Sign   // findings of the old side alone, in its order
}

// Any reports whether anything differs.
func (d *Difference) Any() bool {
	return d.Old.Held != d.New.Held || d.Old.Reason != d.New.Reason ||
		len(d.Changes) > 0 || len(d.Appeared) > 0 || len(d.Gone) > 0
}

// Comparer compares decisions. It is not changed by use.
type Comparer struct {
	fields []Field
	groups handshake.FieldInfo
}

// NewComparer returns a comparer.
func NewComparer() *Comparer { return &Comparer{Fields(), groupsField()} }

// Compare tells what differs between two decisions on a case. The setpoints
// of a hold are not offered to anybody and not compared.
func (m *Comparer) Compare(c *Case, before, after *Side) Difference {
	d := Difference{Case: c, Old: before, New: after}
	if !before.Held && !after.Held {
		old, now := sideOf(before.Words, &m.groups), sideOf(after.Words, &m.groups)
		for i := range m.fields {
			f := &m.fields[i]
			if !f.wire.In(before.Words) || !f.wire.In(after.Words) {
				continue // an older record cannot tell it
			}
			if v, w := f.value(old), f.value(now); v != w {
				d.Changes = append(d.Changes, Change{f, v, w})
			}
		}
	}
	d.Appeared = lacking(after.Findings, before.Findings)
	d.Gone = lacking(before.Findings, after.Findings)
	return d
}

// lacking lists the findings of a that b lacks.
func lacking(a, b []recipe.Finding) (out []Sign) {
	for i := range a {
		s := Sign{a[i].Code, a[i].Field}
		if !slices.ContainsFunc(b, func(o recipe.Finding) bool { return s == Sign{o.Code, o.Field} }) && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// FieldSummary is how often and by how much a setpoint changed.
type FieldSummary struct {
	Name    string `json:"setpoint"` // its unit at the end
	Changed int    `json:"changed"`
	Came    int    `json:"came,omitempty"` // in force in the new recipe alone
	Went    int    `json:"went,omitempty"` // in force in the old recipe alone
	// Spread of new less old, in SI, nil for what has no amount.
	Spread *Spread `json:"change,omitempty"`
}

// Spread is a sample in three numbers.
type Spread struct {
	Min    float64 `json:"min"`
	Median float64 `json:"median"`
	Max    float64 `json:"max"`
}

// CodeCount is how many requests had a finding on one side alone.
type CodeCount struct {
	Code  recipe.Code `json:"code"`
	Count int         `json:"count"`
}

// ConfigCount is how many requests were decided under a configuration.
type ConfigCount struct {
	Hash  handshake.ConfigHash `json:"config"`
	Count int                  `json:"count"`
}

// Summary is what differs over many cases.
type Summary struct {
	Requests      int            `json:"requests"`
	Rolls         int            `json:"rolls"`
	Compared      int            `json:"compared"`
	Changed       int            `json:"changed"`
	NewHolds      int            `json:"new_holds"`
	Lifted        int            `json:"lifted_holds"`
	OtherReason   int            `json:"held_for_another_reason"`
	Setpoints     int            `json:"recipes_changed"`
	Overridden    int            `json:"overridden_not_compared"`
	Unrecorded    int            `json:"without_record_not_compared"`
	Unknown       int            `json:"not_known_not_compared"` // the record does not tell all that the decision rests on
	HoldsBefore   int            `json:"holds_before"`
	HoldsAfter    int            `json:"holds_after"`
	RecordedUnder []ConfigCount  `json:"recorded_under,omitempty"`
	Fields        []FieldSummary `json:"setpoints" label:"-"` // amounts of many dimensions
	Appeared      []CodeCount    `json:"findings_appeared" label:"findings that appear"`
	Gone          []CodeCount    `json:"findings_gone" label:"findings that disappear"`
}

// Tally adds differences up.
type Tally struct {
	sum      Summary
	fields   []Field
	counts   []fieldCount
	appeared map[recipe.Code]int
	gone     map[recipe.Code]int
	lastRoll uint32
}

// fieldCount holds how often each amount occurred: amounts are whole numbers
// on the wire, so their median is exact without the sample.
type fieldCount struct {
	changed, came, went int
	amounts             map[int64]int
}

// NewTally returns an empty tally.
func NewTally() *Tally {
	t := &Tally{fields: Fields(), appeared: map[recipe.Code]int{}, gone: map[recipe.Code]int{}}
	t.counts = make([]fieldCount, len(t.fields))
	for i := range t.counts {
		t.counts[i].amounts = map[int64]int{}
	}
	return t
}

// See counts a case, compared or not. Cases come in their order.
func (t *Tally) See(c *Case) {
	t.sum.Requests++
	if c.Number == 0 || c.Number != t.lastRoll {
		t.sum.Rolls++
	}
	t.lastRoll = c.Number
	if c.Recorded == nil {
		return
	}
	for i := range t.sum.RecordedUnder {
		if t.sum.RecordedUnder[i].Hash == c.ConfigHash {
			t.sum.RecordedUnder[i].Count++
			return
		}
	}
	t.sum.RecordedUnder = append(t.sum.RecordedUnder, ConfigCount{c.ConfigHash, 1})
}

// Skip counts a case that could not be compared.
func (t *Tally) Skip(c *Case) {
	if c.Override {
		t.sum.Overridden++
	} else {
		t.sum.Unrecorded++
	}
}

// SkipUnknown counts a case whose record does not tell all that the decision
// rests on.
func (t *Tally) SkipUnknown() { t.sum.Unknown++ }

// Add counts a difference.
func (t *Tally) Add(d *Difference) {
	t.sum.Compared++
	if d.Old.Held {
		t.sum.HoldsBefore++
	}
	if d.New.Held {
		t.sum.HoldsAfter++
	}
	if !d.Any() {
		return
	}
	t.sum.Changed++
	switch {
	case !d.Old.Held && d.New.Held:
		t.sum.NewHolds++
	case d.Old.Held && !d.New.Held:
		t.sum.Lifted++
	case d.Old.Reason != d.New.Reason:
		t.sum.OtherReason++
	}
	if len(d.Changes) > 0 {
		t.sum.Setpoints++
	}
	for i := range d.Changes {
		c := &d.Changes[i]
		n := &t.counts[slices.IndexFunc(t.fields, func(f Field) bool { return f.Name == c.Field.Name })]
		n.changed++
		switch {
		case !c.Old.InForce:
			n.came++
		case !c.New.InForce:
			n.went++
		}
		if raw, ok := c.Amount(); ok {
			n.amounts[raw]++
		}
	}
	countCodes(t.appeared, d.Appeared)
	countCodes(t.gone, d.Gone)
}

// countCodes counts each code once for a request.
func countCodes(counts map[recipe.Code]int, signs []Sign) {
	for i, s := range signs {
		if !slices.ContainsFunc(signs[:i], func(o Sign) bool { return o.Code == s.Code }) {
			counts[s.Code]++
		}
	}
}

// Summary returns what was added up.
func (t *Tally) Summary() Summary {
	s := t.sum
	s.Fields = []FieldSummary{}
	for i := range t.fields {
		f, n := &t.fields[i], &t.counts[i]
		if n.changed == 0 {
			continue
		}
		out := FieldSummary{Name: f.Name, Changed: n.changed, Came: n.came, Went: n.went}
		if len(n.amounts) > 0 {
			out.Spread = spread(n.amounts, f.Scale)
		}
		s.Fields = append(s.Fields, out)
	}
	s.Appeared, s.Gone = sortedCodes(t.appeared), sortedCodes(t.gone)
	return s
}

func spread(amounts map[int64]int, scale float64) *Spread {
	keys := slices.Sorted(maps.Keys(amounts))
	n := 0
	for _, k := range keys {
		n += amounts[k]
	}
	at := func(rank int) float64 {
		for _, k := range keys {
			if rank -= amounts[k]; rank < 0 {
				return scaled(k, scale)
			}
		}
		return scaled(keys[len(keys)-1], scale)
	}
	return &Spread{at(0), (at((n-1)/2) + at(n/2)) / 2, at(n - 1)}
}

func sortedCodes(counts map[recipe.Code]int) []CodeCount {
	out := []CodeCount{}
	for _, c := range slices.Sorted(maps.Keys(counts)) {
		out = append(out, CodeCount{c, counts[c]})
	}
	slices.SortStableFunc(out, func(a, b CodeCount) int { return cmp.Compare(b.Count, a.Count) })
	return out
}

// scaled is a number of the wire in its unit: 33 × 0.1 as 3.3, the nearest to
// what was meant.
func scaled(raw int64, scale float64) float64 {
	if per := 1 / scale; scale < 1 {
		return float64(raw) / per
	}
	return float64(raw) * scale
}
