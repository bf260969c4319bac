package record_test

import (
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

func standLine() *recipe.Line {
	return &recipe.Line{
		Equipment: recipe.Equipment{Stand: recipe.Auto, Header: recipe.Semi},
		Stand:     recipe.StandSpec{Slots: []recipe.SlotSpec{{Number: 1, Width: 1, Paper: "kraft"}, {Number: 3, Width: 2, Paper: "poly"}}},
	}
}

func over(slot int) record.HungRoll {
	if slot == 3 {
		return record.HungRoll{Slot: 3, Width: 2, Paper: "poly"}
	}
	return record.HungRoll{Slot: slot, Width: 1, Paper: "kraft"}
}

func told(no uint32, slot int, state record.HangState, corrects uint32) record.Hang {
	h := record.Hang{No: no, Slot: slot, State: state, Over: over(slot), Corrects: corrects, By: "kim"}
	if state == record.Hangs {
		h.Width, h.Paper = 1.5, "other"
	}
	return h
}

// TestActsLeaveTheLine follows slot 3 through acts, and looks at the line after
// them.
func TestActsLeaveTheLine(t *testing.T) {
	step := func(no uint32, s record.HangStep) record.Hung { return record.Hung{No: no, Slot: 3, Step: s} }
	configured := recipe.SlotSpec{Number: 3, Width: 2, Paper: "poly"}
	hung := recipe.SlotSpec{Number: 3, Width: 1.5, Paper: "other"}
	with := func(s recipe.SlotSpec, f recipe.Fit, isNew bool) recipe.SlotSpec {
		s.Unusable, s.NewlyHung = f, isNew
		return s
	}
	wrapped := record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: 1, Outcome: handshake.Wrapped, Slot: 3}}
	for name, c := range map[string]struct {
		records []record.Record
		want    recipe.SlotSpec
	}{
		"nothing told":        {nil, configured},
		"told":                {[]record.Record{told(1, 3, record.Hangs, 0)}, with(configured, recipe.BeingHung, false)},
		"opened":              {[]record.Record{told(1, 3, record.Hangs, 0), step(1, record.Opened)}, with(configured, recipe.BeingHung, false)},
		"in force":            {[]record.Record{told(1, 3, record.Hangs, 0), step(1, record.Opened), step(1, record.InForce)}, with(hung, recipe.Fits, true)},
		"a roll took from it": {[]record.Record{told(1, 3, record.Hangs, 0), step(1, record.InForce), wrapped}, with(hung, recipe.Fits, false)},
		"empty":               {[]record.Record{told(1, 3, record.Empty, 0), step(1, record.InForce)}, with(configured, recipe.Empty, false)},
		"out of service":      {[]record.Record{told(1, 3, record.OutOfService, 0), step(1, record.InForce)}, with(configured, recipe.OutOfService, false)},
		"taken back":          {[]record.Record{told(1, 3, record.Hangs, 0), told(2, 3, record.AsBefore, 1)}, configured},
		"ended":               {[]record.Record{told(1, 3, record.Hangs, 0), step(1, record.InForce), step(1, record.Ended)}, configured},
		"ended before":        {[]record.Record{told(1, 3, record.Hangs, 0), step(1, record.Ended)}, configured},
		"corrected in force":  {[]record.Record{told(1, 3, record.Empty, 0), step(1, record.InForce), told(2, 3, record.Hangs, 1), step(2, record.InForce)}, with(hung, recipe.Fits, true)},
		"another slot":        {[]record.Record{told(1, 1, record.Empty, 0)}, configured},
	} {
		past := record.NewPast()
		for _, r := range c.records {
			if err := past.Add(r); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		line := standLine()
		got := past.Acts.Line(line).Stand.Slots[1]
		if got.Width != c.want.Width || got.Paper != c.want.Paper || got.Unusable != c.want.Unusable || got.NewlyHung != c.want.NewlyHung {
			t.Errorf("%s: slot 3 is %+v, want %+v", name, got, c.want)
		}
		if line.Stand.Slots[1].Width != 2 || line.Stand.Slots[1].NewlyHung {
			t.Errorf("%s: the configured line changed", name)
		}
		basis := past.Basis(handshake.Token{})
		if again := basis.Acts.Line(line).Stand.Slots[1]; again.Width != got.Width || again.Unusable != got.Unusable || again.NewlyHung != got.NewlyHung {
			t.Errorf("%s: the basis of a decision says %+v", name, again)
		}
		if len(c.records) == 0 && past.Acts.Line(line) != line {
			t.Errorf("%s: another line is made of it", name)
		}
	}
}

// Where the configuration says something else of a slot than it did, that counts.
func TestConfigurationAfterAnAct(t *testing.T) {
	past := record.NewPast()
	for _, r := range []record.Record{told(1, 3, record.Hangs, 0), record.Hung{No: 1, Slot: 3, Step: record.InForce}, told(2, 3, record.Empty, 0)} {
		if err := past.Add(r); err != nil {
			t.Fatal(err)
		}
	}
	line := standLine()
	if stale := past.Acts.Stale(line); stale != nil {
		t.Errorf("stale before: %+v", stale)
	}
	line.Stand.Slots[1].Width = 2.2
	if got := past.Acts.Line(line); got != line {
		t.Errorf("slot 3 is %+v", got.Stand.Slots[1])
	}
	if stale := past.Acts.Stale(line); len(stale) != 2 || stale[0].No != 1 || stale[1].No != 2 {
		t.Errorf("stale: %+v", stale)
	}
}

// A copy of what stood at a request does not change with what is told later.
func TestBasisStays(t *testing.T) {
	past := record.NewPast()
	add := func(r record.Record) {
		t.Helper()
		if err := past.Add(r); err != nil {
			t.Fatal(err)
		}
	}
	add(record.Station{Station: "header", Mode: record.ByHand, By: "kim"})
	add(told(1, 3, record.Hangs, 0))
	before := past.Basis(handshake.Token{})
	add(record.Station{Station: "stand", Mode: record.ByHand, By: "kim"})
	add(record.Station{Station: "header", Mode: record.AsConfigured, By: "kim"})
	add(record.Hung{No: 1, Slot: 3, Step: record.InForce})
	line := standLine()
	if got := before.Acts.Line(line); got.Equipment.Header != recipe.Manual || got.Equipment.Stand != recipe.Auto || got.Stand.Slots[1].Unusable != recipe.BeingHung {
		t.Errorf("what stood before is now %+v, %+v", got.Equipment, got.Stand.Slots)
	}
	if got := past.Acts.Line(line); got.Equipment.Header != recipe.Semi || got.Equipment.Stand != recipe.Manual || got.Stand.Slots[1].Width != 1.5 {
		t.Errorf("after it: %+v, %+v", got.Equipment, got.Stand.Slots)
	}
	line.Equipment.Stand = recipe.Absent
	if got := past.Acts.Line(line); got.Equipment.Stand != recipe.Absent {
		t.Error("a station that the line lacks is worked by hand")
	}
}

func TestActsThatContradict(t *testing.T) {
	for name, c := range map[string]struct {
		records []record.Record
		want    string
	}{
		"slot of no stand": {[]record.Record{told(1, 7, record.Hangs, 0)}, "names slot 7"},
		"number again":     {[]record.Record{told(1, 3, record.Hangs, 0), told(1, 1, record.Hangs, 0)}, "HANG 1 stands after HANG 1"},
		"step of nothing":  {[]record.Record{record.Hung{No: 1, Slot: 3, Step: record.InForce}}, "no HANG before it allows"},
		"step of another":  {[]record.Record{told(1, 3, record.Hangs, 0), record.Hung{No: 1, Slot: 1, Step: record.InForce}}, "no HANG before it allows"},
		"step not known":   {[]record.Record{told(1, 3, record.Hangs, 0), record.Hung{No: 1, Slot: 3, Step: "half"}}, "no HANG before it allows"},
		"step twice":       {[]record.Record{told(1, 3, record.Empty, 0), record.Hung{No: 1, Slot: 3, Step: record.InForce}, record.Hung{No: 1, Slot: 3, Step: record.InForce}}, "no HANG before it allows"},
	} {
		past := record.NewPast()
		var err error
		for _, r := range c.records {
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			err = past.Add(r)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func TestOverdue(t *testing.T) {
	end := time.Date(2026, 11, 26, 6, 0, 0, 0, time.UTC)
	s := record.Station{Until: end}
	if s.Overdue(end) || !s.Overdue(end.Add(time.Second)) || (&record.Station{}).Overdue(end) {
		t.Error("the end of a time is told wrong")
	}
}

// A size of which too few heads are left is taken off the line where they are
// counted, and nowhere else.
func TestHeadsRunOut(t *testing.T) {
	line := standLine()
	line.Heads.Counted = true
	line.Materials.Stock = []recipe.HeadMaterial{{Name: "poly", Diameters: []float64{1, 1.2}}, {Name: "plain", Diameters: []float64{1, 1.2}}}
	past := record.NewPast()
	name := record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 1}, Offer: 1}
	sizes := func() []float64 { return past.Acts.Line(line).Materials.Stock[0].Diameters }
	for i, c := range []struct {
		record record.Record
		sizes  int
	}{
		{record.Heads{Material: "poly", Diameter: 1.2, Count: 3, By: "kim"}, 2},
		{record.Heads{Material: "plain", Diameter: 1.2, Count: 0, By: "kim"}, 2},
		{record.Intent{Roll: 1, Offer: name, Form: handshake.KindRecipe, Heads: []record.HeadsOf{{Material: "poly", Diameter: 1.2}}}, 2},
		{record.Commit{Roll: 1, Offer: name}, 2},
		{record.Verdict{Roll: 1, Offer: name, Verdict: handshake.Accepted}, 2},
		{record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: 1, Outcome: handshake.Wrapped}}, 1},
		{record.Heads{Material: "poly", Diameter: 1.2, Count: 2, By: "kim"}, 2},
		{record.Heads{Material: "poly", Diameter: 1, Count: 1, By: "kim"}, 1},
	} {
		if err := past.Add(c.record); err != nil {
			t.Fatal(err)
		}
		if got := sizes(); len(got) != c.sizes {
			t.Errorf("after record %d: sizes %v, want %d", i+1, got, c.sizes)
		}
	}
	if len(line.Materials.Stock[0].Diameters) != 2 || len(past.Acts.Line(line).Materials.Stock[1].Diameters) != 1 {
		t.Error("the configuration changed, or the other material did not")
	}
	line.Heads.Counted = false
	if past.Acts.Line(line) != line {
		t.Error("heads that nobody counts ran out")
	}
}

// A report without a configuration tells a roll that was held, too.
func TestActsOfNoLine(t *testing.T) {
	if got := (&record.Acts{}).Line(nil); got != nil {
		t.Errorf("no line became %+v", got)
	}
}
