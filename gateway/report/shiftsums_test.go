package report_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/recipetest"
)

// offered adds a roll with a recipe that was offered and accepted, each part of it a second
// after the other, and that leaves a minute after it came. grossDg is in tenths of a kg.
func (b *book) offered(at time.Time, number uint32, grossDg uint32, findings []recipe.Finding, o handshake.Outcome, weighed *record.Weighing) {
	b.t.Helper()
	token := handshake.Token{Boot: 1, Req: number}
	name := record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 7}, Offer: uint16(number)}
	p := handshake.Payload{Boot: 1, Req: number, RollNo: number, Kind: handshake.KindRecipe, Origin: handshake.Computed, Width: 10_000, Slot: 1, WrapperWidth: 12_540, Gross: grossDg, Tare: 120, Groups: 1 << recipe.GroupStand}
	if grossDg > 0 {
		p.Groups |= 1 << recipe.GroupWeigh
	}
	for _, f := range findings {
		if f.Severity == recipe.Hold {
			p.Kind, p.HoldReason = handshake.KindHold, handshake.HoldDimensionLimits
		}
	}
	words := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(words); err != nil {
		b.t.Fatal(err)
	}
	b.add(at, record.Request{Token: token, Roll: number, Measured: recipe.Roll{Tag: fmt.Sprintf("R-%d", number), Diameter: 1, Width: 1}})
	b.add(at.Add(time.Second), record.Intent{Token: token, Roll: number, Offer: name, Form: p.Kind, HoldReason: p.HoldReason, Origin: handshake.Computed, Payload: words, Findings: findings}, record.Commit{Roll: number, Offer: name})
	verdict := handshake.Accepted
	if p.Kind == handshake.KindHold {
		verdict = handshake.HeldVerdict
	}
	b.add(at.Add(3*time.Second), record.Verdict{Roll: number, Offer: name, Verdict: verdict})
	o.Index, o.RollNo, o.Boot, o.Req = number, number, 1, number
	if o.Outcome == 0 {
		o.Outcome = handshake.Wrapped
	}
	b.add(at.Add(time.Minute), record.Outcome{Outcome: o, Weighing: weighed})
}

func held(codes ...recipe.Code) (out []recipe.Finding) {
	for _, c := range codes {
		out = append(out, recipe.Finding{Code: c, Severity: recipe.Hold})
	}
	return out
}

// What a shift adds up to, against figures reckoned by hand.
func TestShiftAddsUp(t *testing.T) {
	b := &book{t: t}
	minute := func(n int) time.Time { return evening.Add(time.Duration(n) * time.Minute) }
	b.offered(minute(0), 1, 8000, nil, handshake.Outcome{Scale: 8080, CrimpTime: 900, Dwell: 1200, Start: 100, Ended: 4100, Slot: 1, EncoderUsed: 100_000}, &record.Weighing{Verdict: "good"})
	b.offered(minute(2), 2, 8000, nil, handshake.Outcome{Outcome: handshake.WrappedByHand, Scale: 7920, CrimpTime: 100, Slot: 1}, &record.Weighing{Verdict: "wrong"})
	b.offered(minute(5), 3, 0, held(recipe.NoSlot), handshake.Outcome{Outcome: handshake.Removed, Slot: 1}, nil)
	b.offered(minute(9), 4, 0, held(recipe.NoSlot, check.ScanStale), handshake.Outcome{Outcome: handshake.Removed, Slot: 1, EncoderUsed: 5_000}, nil)
	// The controller was started again in between: its clock went back.
	b.offered(minute(14), 5, 8000, nil, handshake.Outcome{Outcome: handshake.Wrapped, Scale: 8000, CrimpTime: 1100, Start: 9000, Ended: 100, Slot: 1, EncoderUsed: 200_000}, &record.Weighing{Verdict: "good"})
	s := b.shift(time.Time{}, time.Time{})

	var holds []string
	for _, h := range s.Holds {
		holds = append(holds, fmt.Sprintf("%s %d %.4g %%", h.Code, h.Rolls, h.Share))
	}
	if want := "[no-slot 2 66.67 % scan-stale 1 100 %]"; fmt.Sprint(holds) != want {
		t.Errorf("holds %v, want %s", holds, want)
	}
	w := s.Weighed
	if w == nil || w.Rolls != 3 || math.Abs(w.Mean) > 1e-9 || w.SD == nil || math.Abs(*w.SD-1) > 1e-9 || fmt.Sprint(w.Verdicts) != "[{good 2} {wrong 1}]" {
		t.Errorf("weighed %+v, want the mean 0 and the spread 1 %% of -1, 0 and 1 %%", w)
	}
	// One that was removed and has no reading took nothing; of one that had no recipe the width is not known.
	var used []string
	for _, x := range s.Wrappers {
		used = append(used, fmt.Sprintf("%g m wide: %d rolls, %g m, %d unread", x.Width, x.Rolls, x.Used, x.Unread))
	}
	if want := "[1.254 m wide: 3 rolls, 30 m, 1 unread 0 m wide: 1 rolls, 0.5 m, 0 unread]"; fmt.Sprint(used) != want {
		t.Errorf("wrappers %v, want %s", used, want)
	}
	o := s.Overhangs
	if o == nil || o.Rolls != 3 || math.Abs(o.Mean-0.127) > 1e-9 || o.Judged != 0 || s.Rolls[2].Overhang != nil || s.Rolls[2].Verdict != "hold" {
		t.Errorf("overhangs %+v, roll 3 %+v", o, s.Rolls[2])
	}
	var times []string
	for _, x := range s.Times {
		times = append(times, fmt.Sprintf("%s: %d, %g to %g, median %g", x.Step, x.Rolls, x.Least, x.Greatest, x.Median))
	}
	want := "request to decision: 5, 1 to 1, median 1\n" +
		"decision to verdict of the controller: 5, 2 to 2, median 2\n" +
		"crimp: 2, 9 to 11, median 10\n" +
		"press: 1, 12 to 12, median 12\n" +
		"wrap, heads and all else: 1, 19 to 19, median 19\n" +
		"whole wrap, start to end: 1, 40 to 40, median 40\n" +
		"at the station, request to leaving: 5, 60 to 60, median 60\n" +
		"from one roll to the next: 4, 120 to 300, median 210"
	if got := strings.Join(times, "\n"); got != want {
		t.Errorf("times\n%s\nwant\n%s", got, want)
	}
	if got := fmt.Sprint(s.Needs()); !strings.Contains(got, "1 roll") || len(s.Needs()) != 1 {
		t.Errorf("needs %s, want the one that the scale contradicts", got)
	}
	if r := &s.Rolls[1]; r.Delta == nil || math.Abs(*r.Delta+8) > 1e-9 || *r.Tare != 12 || r.Mode != "offered" || *r.Stay != 60 {
		t.Errorf("roll 2 %+v", r)
	}
	if one := b.of(1).shift(time.Time{}, time.Time{}); one.Weighed == nil || one.Weighed.SD != nil {
		t.Errorf("one roll has the spread of %+v", one.Weighed)
	}
	if two := b.of(2).shift(time.Time{}, time.Time{}); two.Weighed == nil || two.Weighed.SD == nil || math.Abs(*two.Weighed.SD-math.Sqrt2) > 1e-9 {
		t.Errorf("two rolls have the spread of %+v", two.Weighed)
	}
}

// of is the book of so many rolls.
func (b *book) of(rolls int) *book {
	for i, r := range b.list {
		if _, ok := r.Record.(record.Outcome); ok {
			if rolls--; rolls == 0 {
				return &book{b.t, b.list[:i+1]}
			}
		}
	}
	return b
}

// The beginning belongs to a shift, and its end to the next one.
func TestShiftBegins(t *testing.T) {
	b := &book{t: t}
	for i := range 4 {
		b.roll(evening.Add(time.Duration(i)*time.Minute), uint32(i+1), fmt.Sprintf("R-%d", i+1), handshake.Outcome{})
	}
	left := func(n int) time.Time { return evening.Add(time.Duration(n) * time.Minute) }
	s := b.shift(left(2), left(4))
	if len(s.Rolls) != 2 || s.Rolls[0].Number != 2 || s.Rolls[1].Number != 3 {
		t.Errorf("%d rolls left from 2 until 4 minutes: %+v", len(s.Rolls), s.Rolls)
	}
}

// A break counts as far as it lies in the report, also that of an alarm that began before
// it, and a daemon that was never there has not been interrupted.
func TestBreaksLieInTheReport(t *testing.T) {
	minute := func(n int) time.Time { return evening.Add(time.Duration(n) * time.Minute) }
	session := func(epoch uint32) record.Session {
		return record.Session{Session: handshake.Session{Epoch: epoch, Nonce: 7}, Boot: 1, Cause: "link"}
	}
	b := &book{t: t}
	b.add(minute(0), record.Origin{Line: "north"})
	b.add(minute(3), record.Config{Start: true, By: "lapgate"}, session(1))
	b.add(minute(10), record.Hold{By: "kim"})
	b.add(minute(20), record.Alarm{Alarm: "link-down", Act: "raised"})
	b.add(minute(90), session(2))
	for _, c := range []struct {
		from, to int
		want     string
	}{
		{0, 120, "[link 70 70]"}, {30, 60, "[link 30 30]"}, {80, 120, "[link 10 10]"}, {91, 120, "[]"}, {0, 20, "[]"},
	} {
		got := []string{}
		for _, x := range b.shift(minute(c.from), minute(c.to)).Breaks {
			alarm := -1.0
			if x.Alarm != nil {
				alarm = *x.Alarm / 60
			}
			got = append(got, fmt.Sprintf("%s %g %g", x.Cause, x.Most/60, alarm))
		}
		if fmt.Sprint(got) != c.want {
			t.Errorf("from minute %d to %d: breaks %v, want %s", c.from, c.to, got, c.want)
		}
	}
}

// Chances that are small are told as one in so many.
func TestChance(t *testing.T) {
	if got := report.Chance(nil, 1e-7) + ", " + report.Chance(nil, 0.0005) + ", " + report.Chance(nil, 0.005); got != "below 1 in 1,000,000, 1 in 2000, 0.5 %" {
		t.Errorf("chances are told as %s", got)
	}
}

// The windows of rolls have something in common, and lie somewhere together; a recipe has
// left its window where it did by more than the wire rounds.
func TestWindowsOfAShift(t *testing.T) {
	line := recipetest.Line()
	shift := func(wrapper uint16, grades ...int) *report.Shift {
		s := report.NewShift(report.Of{Line: "north", Journals: []report.Journal{{Name: "north.db"}}, Units: line, Recipe: line}, time.Time{}, time.Time{})
		b := &book{t: t}
		for i, grade := range grades {
			number := uint32(i + 1)
			token := handshake.Token{Boot: 1, Req: number}
			p := handshake.Payload{Boot: 1, Req: number, RollNo: number, Kind: handshake.KindRecipe, Origin: handshake.Computed, Width: 10_000, Slot: 2, WrapperWidth: wrapper, Groups: 1 << recipe.GroupStand}
			words := make([]uint16, handshake.PayloadWords)
			if err := p.Encode(words); err != nil {
				t.Fatal(err)
			}
			b.add(evening, record.Request{Token: token, Roll: number, Measured: recipe.Roll{Diameter: 1, Width: 1, Grade: grade, Core: 1}},
				record.Shadow{Token: token, Roll: number, Verdict: "go", Payload: words}, record.Outcome{Outcome: handshake.Outcome{Index: number, RollNo: number, Boot: 1, Req: number, Outcome: handshake.Wrapped}})
		}
		for _, r := range b.list {
			if err := s.Add(r); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Finish(); err != nil {
			t.Fatal(err)
		}
		return s
	}
	both := shift(12_700, 1, 2)
	o, one, two := both.Overhangs, &both.Rolls[0], &both.Rolls[1]
	if o.Judged != 2 || one.OverhangMin == nil || two.OverhangMin == nil || *one.OverhangMin == *two.OverhangMin {
		t.Fatalf("judged %+v, %+v, %+v", o, one, two)
	}
	if o.EveryMin != max(*one.OverhangMin, *two.OverhangMin) || o.EveryMax != min(*one.OverhangMax, *two.OverhangMax) ||
		o.AnyMin != min(*one.OverhangMin, *two.OverhangMin) || o.AnyMax != max(*one.OverhangMax, *two.OverhangMax) || o.Outside != 0 {
		t.Errorf("%+v of the windows %g to %g and %g to %g", o, *one.OverhangMin, *one.OverhangMax, *two.OverhangMin, *two.OverhangMax)
	}
	edge := uint16(10_000 + math.Floor(*one.OverhangMax*20_000))
	for over, want := range map[uint16]int{0: 0, 1: 0, 4: 1} {
		if got := shift(edge+over, 1).Overhangs.Outside; got != want {
			t.Errorf("%g mm beyond the window: %d outside, want %d", float64(over)/20, got, want)
		}
	}
}

// Of the modes from before a report the newest of each machine is where it begins, a mode
// that a new file of a journal carries over is no change, and all stand in the order of time.
func TestModesOfTwoMachines(t *testing.T) {
	minute := func(n int) time.Time { return evening.Add(time.Duration(n) * time.Minute) }
	of := report.Of{Line: "north", Journals: []report.Journal{{Name: "a.db", Machine: "a"}, {Name: "b.db", Machine: "b"}}, Units: &recipe.Line{}}
	s := report.NewShift(of, evening, time.Time{})
	armed := record.Mode{Armed: true, By: "kim", Reason: "night"}
	s.Begin(record.Stored{Seq: 1, At: minute(-70), Record: armed, Journal: 0})
	s.Begin(record.Stored{Seq: 2, At: minute(-40), Record: record.Mode{By: "lee"}, Journal: 0})
	s.Begin(record.Stored{Seq: 1, At: minute(-60), Record: record.Mode{By: "ola"}, Journal: 1})
	for i, r := range []record.Stored{
		{Seq: 2, At: minute(3), Record: armed, Journal: 1},
		{Seq: 3, At: minute(4), Record: record.Carry{Mode: &armed}, Journal: 1},
		{Seq: 3, At: minute(5), Record: armed, Journal: 0},
	} {
		if err := s.Add(r); err != nil {
			t.Fatal(i, err)
		}
	}
	if err := s.Finish(); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, m := range s.Modes {
		to := "on"
		if m.To != nil {
			to = fmt.Sprint(m.To.Sub(evening).Minutes())
		}
		got = append(got, fmt.Sprintf("%s %s from %g to %s by %s", m.Machine, m.State, m.From.Sub(evening).Minutes(), to, m.By))
	}
	want := "b shadow from -60 to 3 by ola, a shadow from -40 to 5 by lee, b armed from 3 to on by kim, a armed from 5 to on by kim"
	if text := strings.Join(got, ", "); text != want {
		t.Errorf("modes\n%s\nwant\n%s", text, want)
	}
}

// A gap over what the other machine of a pair holds is awaited where that machine sends too,
// and is a gap where nothing more will come.
func TestGapsAreAwaitedOrNot(t *testing.T) {
	for arriving, want := range map[bool]string{true: "report.need.awaited", false: "report.need.gaps"} {
		of := report.Of{Line: "north", Journals: []report.Journal{{Name: "a.db"}}, Units: &recipe.Line{}, Arriving: arriving}
		s := report.NewShift(of, time.Time{}, time.Time{})
		if err := s.Add(record.Stored{Seq: 1, At: evening, Record: record.Gap{FromRoll: 4, ToRoll: 5, FromIndex: 4, ToIndex: 5, Cause: record.HeldByOther}}); err != nil {
			t.Fatal(err)
		}
		if err := s.Finish(); err != nil {
			t.Fatal(err)
		}
		if n := s.Needs(); len(n) != 1 || n[0].Key != want {
			t.Errorf("arriving %v: needs %v, want %s", arriving, n, want)
		}
	}
}

// What is told of a recipe is that of the newest decision on the request that the outcome
// names: a hold that came after a go takes back what the go said.
func TestRollIsOfTheNewestDecision(t *testing.T) {
	token := handshake.Token{Boot: 1, Req: 7}
	decided := func(kind handshake.Kind) *record.Shadow {
		p := handshake.Payload{Boot: 1, Req: 7, RollNo: 7, Kind: kind, Origin: handshake.Computed, Width: 10_000, Slot: 1, WrapperWidth: 12_540, Gross: 8000, Tare: 120, Groups: 1<<recipe.GroupStand | 1<<recipe.GroupWeigh}
		if kind == handshake.KindHold {
			p.HoldReason = handshake.HoldMeasurement
		}
		words := make([]uint16, handshake.PayloadWords)
		if err := p.Encode(words); err != nil {
			t.Fatal(err)
		}
		return &record.Shadow{Token: token, Roll: 7, Payload: words}
	}
	round := func(req uint32, kind handshake.Kind) record.Round {
		return record.Round{Request: record.Request{Token: handshake.Token{Boot: 1, Req: req}, Measured: recipe.Roll{Diameter: 1, Width: 1}}, Shadow: decided(kind)}
	}
	left := &record.Outcome{Outcome: handshake.Outcome{RollNo: 7, Boot: 1, Req: 7, Outcome: handshake.Wrapped, Scale: 8000}}
	for name, c := range map[string]struct {
		rounds  []record.Round
		verdict string
		gross   bool
	}{
		"go":                    {[]record.Round{round(7, handshake.KindRecipe)}, "go", true},
		"go, then held":         {[]record.Round{round(7, handshake.KindRecipe), round(7, handshake.KindHold)}, "hold", false},
		"held, then go":         {[]record.Round{round(7, handshake.KindHold), round(7, handshake.KindRecipe)}, "go", true},
		"held for another scan": {[]record.Round{round(6, handshake.KindHold), round(7, handshake.KindRecipe)}, "go", true},
		"a later one of no use": {[]record.Round{round(7, handshake.KindRecipe), round(8, handshake.KindHold)}, "go", true},
	} {
		r, err := report.RollOf("north", nil, &record.Roll{Number: 7, Rounds: c.rounds, Outcome: left})
		if err != nil {
			t.Fatal(err)
		}
		if r.Verdict != c.verdict || (r.Gross != nil) != c.gross || (r.Delta != nil) != c.gross || (r.Overhang != nil) != c.gross || (r.Wrapper != nil) != c.gross {
			t.Errorf("%s: %+v", name, r)
		}
	}
}
