package replay_test

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// line is the demonstration's line with changes.
func line(tb testing.TB, set map[string]string) *recipe.Line {
	tb.Helper()
	s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: set})
	if err != nil {
		tb.Fatal(err)
	}
	return s.Lines[0].Recipe
}

// request is a request for a roll that the demonstration's line can wrap.
func request(roll, req uint32, diameter float64) record.Request {
	r := recipe.Roll{
		Number: roll, Tag: "T-1", Diameter: diameter, DiameterU: 0.0005, DiameterMax: diameter, Width: 1.55, WidthU: 0.0005,
		WidthMedian: 1.55, Quality: 1, Grade: 1, Core: 1,
	}
	s := recipe.Stand{Permissives: math.MaxUint32, Platen: 176.7, Mode: 1, State: 6}
	for i := range s.Ready {
		s.Ready[i], s.Outer[i] = true, 1
	}
	out := cycle.RequestOf(r, s)
	out.Token = handshake.Token{Boot: 1, Req: req}
	return out
}

func decided(tb testing.TB, l *recipe.Line, c *replay.Case) *replay.Side {
	tb.Helper()
	s, known, err := replay.Decide(l, c)
	if err != nil || !known {
		tb.Fatal(known, err)
	}
	return s
}

func codes(s *replay.Side) (out []recipe.Code) {
	for _, f := range s.Findings {
		out = append(out, f.Code)
	}
	return out
}

// intent is the record of a side as an offer.
func intent(r record.Request, offer uint16, s *replay.Side) record.Intent {
	form := handshake.KindRecipe
	if s.Held {
		form = handshake.KindHold
	}
	return record.Intent{
		Token: r.Token, Roll: r.Roll, Offer: record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 1}, Offer: offer},
		Form: form, HoldReason: s.Reason, Origin: handshake.Computed, ConfigHash: 7, Payload: s.Words, Findings: s.Findings,
	}
}

// rolls runs records through a history.
func rolls(tb testing.TB, records ...record.Record) (out []*record.Roll) {
	tb.Helper()
	var h record.History
	for i, r := range records {
		finished, err := h.Add(record.Stored{Seq: uint64(i + 1), Record: r})
		if err != nil {
			tb.Fatal(err)
		}
		out = append(out, finished...)
	}
	return append(out, h.Rest()...)
}

// cases returns the cases of records.
func cases(tb testing.TB, records ...record.Record) (out []*replay.Case) {
	tb.Helper()
	for _, r := range rolls(tb, records...) {
		list, err := replay.Cases(r)
		if err != nil {
			tb.Fatal(err)
		}
		out = append(out, list...)
	}
	return out
}

func accepted(i record.Intent) record.Verdict {
	return record.Verdict{Roll: i.Roll, Offer: i.Offer, Verdict: handshake.Accepted}
}

// What a decision rests on beside the roll comes from the records before it.
func TestCasesKeepWhatADecisionRestsOn(t *testing.T) {
	l := line(t, nil)
	first, second := request(5, 1, 1.0), request(6, 2, 1.3)
	one := intent(first, 1, decided(t, l, &replay.Case{Request: first}))
	has := func(s *replay.Side, c recipe.Code) bool { return slices.Contains(codes(s), c) }
	stepped := map[string]string{"lines.0.limits.step": "0.05"}

	for _, c := range []struct {
		name    string
		before  []record.Record
		finding recipe.Code
		want    bool
		last    uint32
	}{
		{"nothing before", nil, "step-from-previous", false, 0},
		{"a roll accepted before", []record.Record{first, one, accepted(one)}, "step-from-previous", true, 5},
		{"a roll rejected before", []record.Record{first, one, record.Verdict{Roll: 5, Offer: one.Offer, Verdict: handshake.Rejected}}, "step-from-previous", false, 0},
		{"a verdict learnt after a break", []record.Record{first, one, record.Verdict{Roll: 5, Offer: one.Offer, Verdict: handshake.Accepted, Settled: true}}, "step-from-previous", true, 5},
		{"a restart of the process between", []record.Record{first, one, accepted(one), record.Session{Session: handshake.Session{Epoch: 2, Nonce: 1}, Cause: "start"}}, "step-from-previous", true, 5},
		{"an operator holds", []record.Record{record.Hold{On: true}}, "operator-hold", true, 0},
		{"an operator held", []record.Record{record.Hold{On: true}, record.Hold{}}, "operator-hold", false, 0},
		{"the roll has an outcome", []record.Record{record.Outcome{Outcome: handshake.Outcome{RollNo: 6}}}, "roll-duplicate", true, 6},
		{"a later roll had an outcome", []record.Record{record.Outcome{Outcome: handshake.Outcome{RollNo: 9}}}, "roll-duplicate", true, 9},
		{"the controller lost its memory", []record.Record{record.Outcome{Outcome: handshake.Outcome{RollNo: 9}}, record.Gap{Boot: 2}}, "roll-duplicate", false, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := cases(t, append(c.before, second)...)
			last := got[len(got)-1]
			if last.Basis.Finished != c.last {
				t.Errorf("last roll %d, want %d", last.Basis.Finished, c.last)
			}
			if side := decided(t, line(t, stepped), last); has(side, c.finding) != c.want {
				t.Errorf("findings %v; want %s: %v", codes(side), c.finding, c.want)
			}
		})
	}
}

func TestCasesTakeTheLastOfferOfARequest(t *testing.T) {
	l := line(t, nil)
	r := request(5, 1, 1.0)
	recipeSide := decided(t, l, &replay.Case{Request: r})
	heldSide := decided(t, l, &replay.Case{Request: r, Basis: record.Basis{Rejections: []uint16{81}}})
	if recipeSide.Held || !heldSide.Held || heldSide.Reason != handshake.HoldInterlock {
		t.Fatalf("go %+v, hold %+v", recipeSide, heldSide)
	}
	rejected := record.Verdict{Roll: 5, Offer: record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 1}, Offer: 1}, Verdict: handshake.Rejected, Reason: 81}
	next := request(6, 2, 1.0)
	got := cases(t, r, intent(r, 1, recipeSide), rejected, r, intent(r, 2, heldSide), next)
	if len(got) != 2 || got[0].Number != 5 || got[1].Number != 6 {
		t.Fatalf("%d cases", len(got))
	}
	c := got[0]
	if !c.Recorded.Held || len(c.Basis.Rejections) != 1 || c.ConfigHash != 7 || got[1].Recorded != nil {
		t.Errorf("case %+v", c)
	}
	// A limit of the controller is no matter of the configuration.
	d := replay.NewComparer().Compare(c, c.Recorded, decided(t, l, c))
	if d.Any() {
		t.Errorf("differs: %+v", d)
	}
}

func TestCasesRefuseADamagedPayload(t *testing.T) {
	r := request(5, 1, 1.0)
	i := intent(r, 1, decided(t, line(t, nil), &replay.Case{Request: r}))
	i.Payload = slices.Clone(i.Payload)
	i.Payload[40]++
	for _, next := range []record.Record{i, record.Shadow{Token: i.Token, Roll: i.Roll, Payload: i.Payload}} {
		for _, roll := range rolls(t, r, next) {
			if _, err := replay.Cases(roll); err == nil {
				t.Errorf("a damaged payload of kind %s is taken", next.Kind())
			}
		}
	}
}

// A setpoint is in force where its group is: whatever stations a line lacks,
// what is not in force is 0 on the wire.
func TestGroupsOfFields(t *testing.T) {
	fused, glued := request(5, 1, 1.0), request(5, 1, 1.0)
	glued.Measured.Grade = 4
	seen := map[string]bool{}
	lacking := 0
	sets := []map[string]string{nil}
	for _, station := range []string{"centring", "stand", "wrap", "crimp", "glue", "vacuum", "heads", "header", "scale", "drives"} {
		sets = append(sets, map[string]string{"lines.0.equipment." + station: "absent"})
	}
	comparer := replay.NewComparer()
	empty := make([]uint16, handshake.PayloadWords)
	if err := (&handshake.Payload{}).Encode(empty); err != nil {
		t.Fatal(err)
	}
	for _, set := range sets {
		s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: set})
		if err != nil {
			continue // a line that cannot be without the station
		}
		for _, r := range []record.Request{fused, glued} {
			side := decided(t, s.Lines[0].Recipe, &replay.Case{Request: r})
			if side.Held {
				continue
			}
			if set != nil {
				lacking++
			}
			// Against a payload without a group, every setpoint in force comes.
			d := comparer.Compare(&replay.Case{}, &replay.Side{Words: empty}, side)
			for _, c := range d.Changes {
				if !c.New.InForce || c.Old.InForce {
					t.Errorf("%v: %s is %d without its group", set, c.Field.Name, c.New.Raw)
				}
				seen[c.Field.Name] = true
			}
		}
	}
	if lacking < 10 {
		t.Errorf("only %d recipes of lines that lack a station", lacking)
	}
	for _, f := range replay.Fields() {
		if !seen[f.Name] {
			t.Errorf("%s was never in force", f.Name)
		}
	}
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

func TestTallyAgreesWithTheSample(t *testing.T) {
	r := request(5, 1, 1.0)
	side := decided(t, line(t, nil), &replay.Case{Request: r})
	comparer := replay.NewComparer()
	rapid.Check(t, func(t *rapid.T) {
		tally := replay.NewTally()
		var sample []float64
		for range rapid.IntRange(1, 40).Draw(t, "rolls") {
			by := rapid.IntRange(-5, 5).Draw(t, "by")
			var p handshake.Payload
			if err := handshake.DecodePayload(side.Words, &p); err != nil {
				t.Fatal(err)
			}
			p.Overlap = uint16(int(p.Overlap) + by)
			words := make([]uint16, handshake.PayloadWords)
			if err := p.Encode(words); err != nil {
				t.Fatal(err)
			}
			c := &replay.Case{}
			d := comparer.Compare(c, side, &replay.Side{Words: words})
			tally.See(c)
			tally.Add(&d)
			if d.Any() != (by != 0) {
				t.Fatalf("a change by %d: %+v", by, d.Changes)
			}
			if by != 0 {
				sample = append(sample, float64(by)/1e4)
			}
		}
		s := tally.Summary()
		if len(sample) == 0 {
			if s.Changed != 0 || len(s.Fields) != 0 {
				t.Fatalf("summary %+v", s)
			}
			return
		}
		f := s.Fields[0]
		if len(s.Fields) != 1 || f.Name != "overlap_m" || f.Changed != len(sample) || s.Changed != len(sample) || s.Setpoints != len(sample) ||
			math.Abs(f.Spread.Median-median(sample)) > 1e-12 || f.Spread.Min != slices.Min(sample) || f.Spread.Max != slices.Max(sample) {
			t.Fatalf("%+v with %+v, sample %v", f, f.Spread, sample)
		}
	})
}

func outcome(roll, req uint32, kind handshake.OutcomeKind) record.Outcome {
	return record.Outcome{Outcome: handshake.Outcome{RollNo: roll, Boot: 1, Req: req, Outcome: kind}}
}

// An outcome belongs to the recipe for the last request of its roll, and to
// no other.
func TestWhatIsCompared(t *testing.T) {
	l := line(t, nil)
	shadow := func(r record.Request) record.Shadow {
		s := decided(t, l, &replay.Case{Request: r})
		return record.Shadow{Token: r.Token, Roll: r.Roll, Verdict: "go", Payload: s.Words, Findings: s.Findings}
	}
	b := shadow(request(5, 2, 1.2))
	p := replay.NewComparison(replay.Usages())
	var log []record.Record
	asked := func(roll, req uint32, diameter float64) {
		r := request(roll, req, diameter)
		log = append(log, r, shadow(r))
	}
	asked(5, 1, 1.0)
	asked(5, 2, 1.2)
	log = append(log, outcome(5, 2, handshake.WrappedByHand)) // measured twice
	asked(6, 3, 1.0)
	asked(7, 4, 1.0)
	log = append(log, outcome(6, 3, handshake.Removed),
		outcome(7, 9, handshake.Wrapped), // its last request had no recipe
		outcome(8, 10, handshake.Lost))
	asked(9, 11, 1.0)
	for i := range uint32(1000) { // outcomes never come
		asked(100+i, 100+i, 1.0)
	}
	for _, r := range rolls(t, log...) {
		if err := p.Take(r); err != nil {
			t.Fatal(err)
		}
	}
	want := replay.Coverage{Outcomes: 4, Wrapped: 2, NotWrapped: 2, NoRecipe: 1, NoOutcome: 1001}
	if got := p.Coverage; got != want {
		t.Errorf("coverage %+v, want %+v", got, want)
	}
	if len(p.Wraps) != 1 || !p.Wraps[0].Shadow {
		t.Fatalf("%d wraps", len(p.Wraps))
	}
	var later handshake.Payload
	if err := handshake.DecodePayload(b.Payload, &later); err != nil {
		t.Fatal(err)
	}
	for i, u := range replay.Usages() {
		if r := p.Wraps[0].Readings[i]; u.Field.Name == "feed_length_m" && r.Ours != float64(later.FeedLength)/1e4 {
			t.Errorf("feed length %v is not that of the last request, %v", r.Ours, float64(later.FeedLength)/10)
		}
	}
}

func TestReadingExceeds(t *testing.T) {
	for _, c := range []struct {
		r       replay.Reading
		exceeds bool
		times   float64
	}{
		{replay.Reading{Ours: 152.4, Used: 177.4, Allowed: 25, Compared: true}, false, 1},
		{replay.Reading{Ours: 152.4, Used: 177.5, Allowed: 25, Compared: true}, true, 25.1 / 25},
		{replay.Reading{Ours: 3, Used: 4, Compared: true}, true, math.Inf(1)},
		{replay.Reading{Ours: 3, Used: 3, Compared: true}, false, 0},
		{replay.Reading{Ours: 3}, false, 0},
	} {
		if got := c.r.Exceeds(); got != c.exceeds {
			t.Errorf("%+v exceeds: %v", c.r, got)
		}
		if got := c.r.Times(); got != c.times && math.Abs(got-c.times) > 1e-9 {
			t.Errorf("%+v is %v times the tolerance, want %v", c.r, got, c.times)
		}
	}
}

func BenchmarkDecide(b *testing.B) {
	l := line(b, nil)
	r := request(5, 1, 1.0)
	c := &replay.Case{Request: r}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := replay.Decide(l, c); err != nil {
			b.Fatal(err)
		}
	}
}
