package process_test

import (
	"math"
	"reflect"
	"testing"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/notice"
)

func demoLine(t *testing.T) *recipe.Line {
	t.Helper()
	s, err := config.Load(config.Source{Path: "../../configs/demo.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	return s.Lines[0].Recipe
}

const inch = 0.0254

// wrapped are the records of one sound roll of 40 × 50 inches in slot 4, whose
// numbers a case may change.
func wrapped(t *testing.T, number uint32, change func(*record.Request, *record.Outcome)) []record.Record {
	t.Helper()
	token := handshake.Token{Boot: 1, Req: number}
	q := record.Request{
		Token: token, Roll: number,
		Measured: recipe.Roll{Tag: "A", Diameter: 40 * inch, DiameterU: 0.0002, DiameterMax: 40 * inch, Width: 50 * inch, WidthMedian: 50 * inch, WidthU: 0.0003, Quality: 1, Grade: 1, Core: 1},
		Stand:    recipe.Stand{Ready: [6]bool{true, true, true, true, true, true}, Outer: [6]float64{1, 1, 1, 1, 1, 1}, Platen: 176},
	}
	for range 12 {
		q.Diameters = append(q.Diameters, 10160)
	}
	if number == 1 {
		q.Hung = []record.HungRoll{{Slot: 4, Width: 60 * inch, Paper: "kraft-poly"}}
	}
	p := handshake.Payload{Kind: handshake.KindRecipe, Origin: handshake.Computed, Temperature: 1767, RollNo: number, Boot: 1, Req: number}
	words := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(words); err != nil {
		t.Fatal(err)
	}
	name := record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 1}, Offer: uint16(number)}
	// 3 turns of 0.012 in around 40 in, and an overlap of 6 in
	used := math.Pi*3*(40+3*0.012)*inch + 6*inch
	o := record.Outcome{
		Outcome: handshake.Outcome{
			Index: number, RollNo: number, Boot: 1, Req: number, Outcome: handshake.Wrapped, Slot: 4, Layers: 300, Overlap: 1524,
			EncoderUsed: uint32(math.Round(used * 1e4)), Temperature: 1767, Offer: uint16(number),
			Overhang: 1270, Pressure: 4000,
		},
		Weighing: &record.Weighing{Verdict: "good", Reading: 660, Gross: 660},
	}
	if change != nil {
		change(&q, &o)
	}
	return []record.Record{q, record.Intent{Token: token, Roll: number, Offer: name, Form: handshake.KindRecipe, Payload: words}, record.Commit{Roll: number, Offer: name},
		record.Verdict{Roll: number, Offer: name, Verdict: handshake.Accepted}, o}
}

// rollOf folds the records of one roll.
func rollOf(t *testing.T, records []record.Record) *record.Roll {
	t.Helper()
	var h record.History
	for _, r := range records {
		rolls, err := h.Add(record.Stored{At: time.Unix(1000, 0), Record: r})
		if err != nil {
			t.Fatal(err)
		}
		if len(rolls) == 1 {
			return rolls[0]
		}
	}
	rest := h.Rest()
	if len(rest) != 1 {
		t.Fatalf("%d rolls", len(rest))
	}
	return rest[0]
}

func TestOf(t *testing.T) {
	line := demoLine(t)
	r := process.Of(line, rollOf(t, wrapped(t, 1, nil)))
	near := func(what string, got, want, tolerance float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s: got %g, want %g", what, got, want)
		}
	}
	near("setpoint", r.Setpoint, 176.7, 1e-9)
	near("platen", r.Platen, 176, 0)
	near("platen, allowed", r.Allowed, line.Header.Allowance, 0)
	near("feed expected", r.Feed.Expected, r.Feed.Measured, 5e-5)
	near("feed", r.Feed.Measured, 9.7366, 5e-4)
	// the overlap 5 mm, the last place of the turns, the diameter
	near("feed, u", r.Feed.U, math.Sqrt(0.005*0.005+math.Pow(math.Pi*1.016*0.01, 2)/12+math.Pow(math.Pi*3*0.0002, 2)), 1e-9)
	near("feed, standing", r.Feed.Standing, 9.7366*0.002, 3e-4)
	near("weighing, standing", r.Weighing.Standing, 1.32, 1e-9)
	if !(r.Weighing.U > 1 && r.Weighing.U < 10) {
		t.Errorf("weighing, u: %g kg", r.Weighing.U)
	}
	// kraft-plain has 6 lb less on 1000 ft² than kraft-poly
	if len(r.Others) != 1 {
		t.Fatalf("others %v", r.Others)
	}
	near("another wrapper", r.Others[0], -9.7366*60*inch*6*0.45359237/92.90304, 1e-3)
	near("overhang", r.Overhang.Expected, r.Overhang.Measured, 1e-9)
	near("overhang, u", r.Overhang.U, math.Sqrt(0.00015*0.00015+0.006*0.006/3+0.002*0.002), 1e-9)
	near("pressure", r.Pressure.Expected, r.Pressure.Measured, 0)
	if len(r.Samples) != 12 || r.Samples[0] != 1.016 || len(r.Reels) != 6 || r.Reels[3].Outer != 1 || !reflect.DeepEqual(r.Hung, []int{4}) || r.Bare || r.Slot != 4 {
		t.Errorf("%+v", r)
	}
}

// What the record does not tell is not compared.
func TestOfLess(t *testing.T) {
	line := demoLine(t)
	for name, c := range map[string]struct {
		change func(*record.Request, *record.Outcome)
		ok     func(*notice.Roll) bool
	}{
		"mass not predicted":  {func(q *record.Request, _ *record.Outcome) { q.Stand.Ready = [6]bool{} }, func(r *notice.Roll) bool { return r.Weighing.U == 0 && r.Feed.U > 0 }},
		"not weighed":         {func(_ *record.Request, o *record.Outcome) { o.Weighing = nil }, func(r *notice.Roll) bool { return r.Weighing.U == 0 && r.Others == nil && r.Feed.U > 0 }},
		"no turns reported":   {func(_ *record.Request, o *record.Outcome) { o.Outcome.Layers = 0 }, func(r *notice.Roll) bool { return r.Feed.U == 0 && r.Drawn > 0 }},
		"slot not configured": {func(_ *record.Request, o *record.Outcome) { o.Outcome.Slot = 9 }, func(r *notice.Roll) bool { return r.Feed.U == 0 && r.Slot == 9 }},
		"removed, untouched": {func(_ *record.Request, o *record.Outcome) {
			o.Outcome.Outcome, o.Outcome.EncoderUsed = handshake.Removed, 0
		}, func(r *notice.Roll) bool { return r.Bare && r.Feed.U == 0 }},
		"wrapped by hand":       {func(_ *record.Request, o *record.Outcome) { o.Outcome.Outcome = handshake.WrappedByHand }, func(r *notice.Roll) bool { return r.Feed.U == 0 && r.Drawn > 0 }},
		"diameter not finite":   {func(q *record.Request, _ *record.Outcome) { q.NotFinite = []string{"diameter_m"} }, func(r *notice.Roll) bool { return math.IsNaN(r.Feed.Expected) }},
		"overhang not reported": {func(_ *record.Request, o *record.Outcome) { o.Outcome.Overhang = 0 }, func(r *notice.Roll) bool { return r.Overhang.U == 0 && r.Pressure.U > 0 }},
		"pressure not reported": {func(_ *record.Request, o *record.Outcome) { o.Outcome.Pressure = 0 }, func(r *notice.Roll) bool { return r.Pressure.U == 0 && r.Overhang.U > 0 }},
		"platen not reported":   {func(q *record.Request, _ *record.Outcome) { q.Stand.Platen = 0 }, func(r *notice.Roll) bool { return r.Platen == 0 }},
		"no diameter of reels":  {func(q *record.Request, _ *record.Outcome) { q.Stand.Outer = [6]float64{} }, func(r *notice.Roll) bool { return r.Reels == nil }},
	} {
		if r := process.Of(line, rollOf(t, wrapped(t, 1, c.change))); !c.ok(&r) {
			t.Errorf("%s: %+v", name, r)
		}
	}
	if r := process.Of(line, &record.Roll{Number: 4}); !reflect.DeepEqual(r, notice.Roll{Number: 4}) {
		t.Errorf("a roll of which nothing is known: %+v", r)
	}
}

// The records of sound rolls give nothing; those of a fault give its finding,
// alike by record and by roll.
func TestLine(t *testing.T) {
	for _, c := range []struct {
		want   notice.Code
		change func(*record.Request, *record.Outcome)
	}{
		{"", nil},
		{notice.PlatenCold, func(q *record.Request, _ *record.Outcome) { q.Stand.Platen = 160 }},
		{notice.FeedCounts, func(_ *record.Request, o *record.Outcome) { o.Outcome.EncoderUsed += 3000 }},
		{notice.ScaleOff, func(_ *record.Request, o *record.Outcome) { o.Weighing.Reading += 20 }},
		{notice.ScannerPosition, func(q *record.Request, _ *record.Outcome) { q.Diameters[5] += 40 }},
		{notice.OverhangOff, func(_ *record.Request, o *record.Outcome) { o.Outcome.Overhang -= 250 }},
		{notice.PressureLow, func(_ *record.Request, o *record.Outcome) { o.Outcome.Pressure -= 800 }},
		{notice.ScannerBlind, func(q *record.Request, _ *record.Outcome) { q.Diameters[5] = 0 }},
	} {
		byRecord, byRoll := process.Line{Recipe: demoLine(t)}, process.Line{Recipe: demoLine(t)}
		var history record.History
		var found, again []process.Finding
		for n := range uint32(60) {
			change := c.change
			if n < 20 {
				change = nil
			}
			for _, r := range wrapped(t, n+1, change) {
				s := record.Stored{At: time.Unix(int64(n)*90, 0), Record: r}
				f, err := byRecord.Add(s)
				if err != nil {
					t.Fatal(err)
				}
				found = append(found, f...)
				rolls, err := history.Add(s)
				if err != nil {
					t.Fatal(err)
				}
				for _, r := range rolls {
					again = append(again, byRoll.Roll(r)...)
				}
			}
		}
		if !reflect.DeepEqual(found, again) {
			t.Errorf("by record %+v, by roll %+v", found, again)
		}
		first := uint32(21)
		if c.want == notice.PlatenCold {
			first-- // pressed between its reading and the first that is cold
		}
		switch {
		case c.want == "" && len(found) > 0:
			t.Errorf("sound rolls: %+v", found)
		case c.want != "" && (len(found) != 1 || found[0].Code != c.want || found[0].First != first):
			t.Errorf("%s: %+v", c.want, found)
		}
	}
}

// A line that holds each roll for a cold platen is told of its platen too.
func TestHeldForAColdPlaten(t *testing.T) {
	line := process.Line{Recipe: demoLine(t)}
	var found []process.Finding
	for n := range uint32(6) {
		all := wrapped(t, n+1, func(q *record.Request, _ *record.Outcome) { q.Stand.Platen = 120 })
		taken := record.Outcome{Outcome: handshake.Outcome{Index: n + 1, RollNo: n + 1, Boot: 1, Req: n + 1, Outcome: handshake.Removed}}
		for _, r := range []record.Record{all[0], taken} {
			f, err := line.Add(record.Stored{At: time.Unix(int64(n)*90, 0), Record: r})
			if err != nil {
				t.Fatal(err)
			}
			found = append(found, f...)
		}
	}
	if len(found) != 1 || found[0].Code != notice.PlatenCold {
		t.Errorf("got %+v, want platen-cold", found)
	}
}

// A wrapper that ends within a turn has no overlap, and is compared all the same.
func TestWrapperEndsWithinATurn(t *testing.T) {
	line := demoLine(t)
	short := func(o *record.Outcome) { o.Outcome.Layers, o.Outcome.Overlap = 270, 0 }
	r := process.Of(line, rollOf(t, wrapped(t, 1, func(_ *record.Request, o *record.Outcome) { short(o) })))
	if r.Feed.U == 0 || r.Feed.Measured-r.Feed.Expected < 0.9 {
		t.Errorf("feed %+v, want about 1.1 m more than lies on the roll", r.Feed)
	}
	r = process.Of(line, rollOf(t, wrapped(t, 1, func(_ *record.Request, o *record.Outcome) { o.Outcome.Overlap = 0 })))
	if r.Feed.U != 0 {
		t.Errorf("feed %+v without an overlap, want none", r.Feed)
	}
}
