package record

import (
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// Acts is what named persons told of a line and what a decision rests on: which
// wrapper hangs in each slot, and which stations are worked by hand for a while. It
// changes by records alone, and a copy of it stays as it is.
type Acts struct {
	Hangs    uint32    `json:"hangs,omitempty"`    // number of the newest act of hanging
	Slots    [6]Slot   `json:"slots,omitzero"`     // of the stand, slot 1 first
	Heads    []Stock   `json:"heads,omitempty"`    // that are counted, in the order in which that was told
	Stations []Station `json:"stations,omitempty"` // that are worked by hand, in the order in which that was told
}

// Slot is what persons told of one slot of the stand.
type Slot struct {
	Told    *Hang `json:"told,omitempty"`     // not in force yet, or nil
	Open    bool  `json:"open,omitempty"`     // the slot was seen not ready since
	InForce *Hang `json:"in_force,omitempty"` // or nil
	New     bool  `json:"new,omitempty"`      // no roll has taken from what was hung
}

// HeadsOf names heads by material and size.
type HeadsOf struct {
	Material string  `json:"material"`
	Diameter float64 `json:"diameter_m"`
}

// Stock is how many heads of one size are left.
type Stock struct {
	HeadsOf
	Left uint32 `json:"left"`
}

// HeadsOfRoll is how many heads of one kind a roll takes: one for each end.
const HeadsOfRoll = 2

// HangState is what a person says of a slot. It is stored and never changes its
// meaning.
type HangState string

// What a slot may be. AsBefore takes an act back that is not in force yet.
const (
	Hangs        HangState = "hangs"
	Empty        HangState = "empty"
	OutOfService HangState = "out of service"
	AsBefore     HangState = "as before"
)

// HangStep is a step of an act of hanging. It is stored and never changes its
// meaning.
type HangStep string

// The steps. An act that ended has no part in a decision any more.
const (
	Opened  HangStep = "opened"
	InForce HangStep = "in force"
	Ended   HangStep = "ended"
)

// Mode words of a Station record.
const (
	ByHand       = "manual"
	AsConfigured = "as configured"
)

// Line is the line as the acts leave it, which is the one given where they leave
// nothing. What hangs by a person's word counts for as long as the configuration
// says of the slot what it said then. A line that is not known, nil, stays so.
func (a *Acts) Line(line *recipe.Line) *recipe.Line {
	if line == nil {
		return nil
	}
	var out *recipe.Line
	changed := func() *recipe.Line {
		if out == nil {
			one := *line
			one.Stand.Slots = slices.Clone(line.Stand.Slots)
			out = &one
		}
		return out
	}
	for i := range line.Stand.Slots {
		configured := &line.Stand.Slots[i]
		if told := a.slot(configured.Number); told != nil {
			if now := told.over(configured); !same(&now, configured) {
				changed().Stand.Slots[i] = now
			}
		}
	}
	for i := range a.Stations {
		if m := line.Equipment.Mode(a.Stations[i].Station); m != nil && m.Powered() {
			*changed().Equipment.Mode(a.Stations[i].Station) = recipe.Manual
		}
	}
	if line.Heads.Counted {
		a.leaveOut(line, changed)
	}
	if out == nil {
		return line
	}
	return out
}

// leaveOut takes the sizes of heads off the line of which too few are left for a
// roll. A size that nobody counted is in stock, as configured.
func (a *Acts) leaveOut(line *recipe.Line, changed func() *recipe.Line) {
	for i := range line.Materials.Stock {
		for _, s := range a.Heads {
			if m := &line.Materials.Stock[i]; s.Material != m.Name || s.Left >= HeadsOfRoll || !slices.Contains(m.Diameters, s.Diameter) {
				continue
			}
			one := changed()
			if &one.Materials.Stock[0] == &line.Materials.Stock[0] {
				one.Materials.Stock = slices.Clone(line.Materials.Stock)
			}
			to := &one.Materials.Stock[i]
			to.Diameters = slices.DeleteFunc(slices.Clone(to.Diameters), func(d float64) bool { return d == s.Diameter })
		}
	}
}

// count takes how many heads of a size there are.
func (a *Acts) count(r *Heads) {
	of := HeadsOf{r.Material, r.Diameter}
	a.Heads = slices.DeleteFunc(slices.Clone(a.Heads), func(s Stock) bool { return s.HeadsOf == of })
	a.Heads = append(a.Heads, Stock{of, r.Count})
}

// takeHeads books the heads of a roll that was wrapped.
func (a *Acts) takeHeads(heads []HeadsOf) {
	if len(heads) == 0 {
		return
	}
	a.Heads = slices.Clone(a.Heads)
	for _, of := range heads {
		for i := range a.Heads {
			if s := &a.Heads[i]; s.HeadsOf == of {
				s.Left -= min(s.Left, HeadsOfRoll)
			}
		}
	}
}

func same(a, b *recipe.SlotSpec) bool {
	return a.Width == b.Width && a.Paper == b.Paper && a.Unusable == b.Unusable && a.NewlyHung == b.NewlyHung
}

// slot is what was told of the slot of that number, nil for no slot of a stand.
func (a *Acts) slot(number int) *Slot {
	if number < 1 || number > len(a.Slots) {
		return nil
	}
	return &a.Slots[number-1]
}

// over is the slot as configured with what was told of it.
func (s *Slot) over(configured *recipe.SlotSpec) recipe.SlotSpec {
	out := *configured
	if h := s.InForce; h.counts(configured) {
		switch h.State {
		case Empty:
			out.Unusable = recipe.Empty
		case OutOfService:
			out.Unusable = recipe.OutOfService
		default:
			out.Width, out.Paper, out.NewlyHung = h.Width, h.Paper, s.New
		}
	}
	if h := s.Told; h.counts(configured) {
		out.Unusable = recipe.BeingHung
	}
	return out
}

// counts reports whether an act counts for a slot as it is configured.
func (h *Hang) counts(configured *recipe.SlotSpec) bool {
	return h != nil && h.Over == OverOf(configured)
}

// OverOf is what the configuration says of a slot, beside which an act counts.
func OverOf(s *recipe.SlotSpec) HungRoll {
	return HungRoll{Slot: s.Number, Width: s.Width, Paper: s.Paper}
}

// Stale lists the acts that no longer count beside a configured line, which is what
// an Ended record says of each.
func (a *Acts) Stale(line *recipe.Line) (stale []*Hang) {
	for i := range a.Slots {
		for _, h := range []*Hang{a.Slots[i].InForce, a.Slots[i].Told} {
			if h != nil && !slices.ContainsFunc(line.Stand.Slots, func(s recipe.SlotSpec) bool { return h.counts(&s) }) {
				stale = append(stale, h)
			}
		}
	}
	return stale
}

// Station is the station that is worked by hand by a person's word, nil where it
// is as configured.
func (a *Acts) Station(key string) *Station {
	for i := range a.Stations {
		if a.Stations[i].Station == key {
			return &a.Stations[i]
		}
	}
	return nil
}

// hang takes an act of hanging.
func (a *Acts) hang(h *Hang) error {
	s := a.slot(h.Slot)
	switch {
	case s == nil:
		return fmt.Errorf("HANG %d names slot %d, a stand has slots 1 to %d", h.No, h.Slot, len(a.Slots))
	case h.No <= a.Hangs:
		return fmt.Errorf("HANG %d stands after HANG %d", h.No, a.Hangs)
	}
	a.Hangs = h.No
	if h.State == AsBefore {
		s.Told, s.Open = nil, false
		return nil
	}
	s.Open = s.Open && s.Told != nil && s.Told.No == h.Corrects
	s.Told = h
	return nil
}

// step takes a step of an act.
func (a *Acts) step(r *Hung) error {
	s := a.slot(r.Slot)
	told := s != nil && s.Told != nil && s.Told.No == r.No
	stands := s != nil && s.InForce != nil && s.InForce.No == r.No
	switch {
	case r.Step == Opened && told:
		s.Open = true
	case r.Step == InForce && told:
		s.InForce, s.Told, s.Open, s.New = s.Told, nil, false, s.Told.State == Hangs
	case r.Step == Ended && told:
		s.Told, s.Open = nil, false
	case r.Step == Ended && stands:
		s.InForce, s.New = nil, false
	default:
		return fmt.Errorf("HUNG says of act %d at slot %d that it is %s, which no HANG before it allows", r.No, r.Slot, r.Step)
	}
	return nil
}

// took books that a roll took from a slot.
func (a *Acts) took(number int) {
	if s := a.slot(number); s != nil {
		s.New = false
	}
}

// tookBy books that a roll is wrapped by a payload.
func (a *Acts) tookBy(payload []uint16) {
	var p handshake.Payload
	if handshake.DecodeStoredPayload(payload, &p) == nil && p.Kind == handshake.KindRecipe {
		a.took(int(p.Slot))
	}
}

// station takes what was told of a station.
func (a *Acts) station(r *Station) {
	others := slices.DeleteFunc(slices.Clone(a.Stations), func(s Station) bool { return s.Station == r.Station })
	if r.Mode == ByHand {
		others = append(others, *r)
	}
	a.Stations = slices.Clip(others)
	if len(a.Stations) == 0 {
		a.Stations = nil
	}
}

// Overdue reports whether a station was to be worked by hand until before now.
func (s *Station) Overdue(now time.Time) bool { return !s.Until.IsZero() && now.After(s.Until) }
