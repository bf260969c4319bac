package cycle

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/block"
	"lapgate/recipe"
	"lapgate/recipe/reel"
)

var kinds = []Kind{KindSession, KindRequest, KindIntent, KindCommit, KindVerdict, KindVoid, KindOutcome, KindGap,
	KindHold, KindOverride, KindMode, KindConfig, KindShadow}

// sampleRecords has one record of each kind with every field set.
func sampleRecords() []Record {
	name := OfferName{block.Session{Epoch: 7, Nonce: 0x9E3779B9}, 3}
	token := block.Token{Boot: 41, Req: 1205}
	found := []recipe.Finding{{Code: "scan-stale", Severity: recipe.Hold, Field: "age_s", Got: "130 s", Limit: "120 s", Where: "line.yaml:7", Text: "measure again"}}
	return []Record{
		SessionRecord{Session: name.Session, Boot: 41, Floor: 6, Cause: "start"},
		RequestRecord{Token: token, Roll: 1190, Measured: recipe.Roll{Number: 1190, Tag: "R2026-001190", Diameter: 1.2504, Width: 1.602,
			Order: &recipe.Order{ID: "A-7", Width: 1.6}}, Stand: recipe.Stand{Ready: [6]bool{true, true}, Outer: [6]float64{0.9}, Counted: [6]reel.Estimate{{Length: 812.5, U: 9.25, Known: true}}, Platen: 176.7},
			Diameters: []uint16{12504, 12505}, Widths: []uint16{16020}, Permissives: 0x3F, Hung: []HungRoll{{Slot: 1, Width: 1.6, Paper: "kraft"}}},
		IntentRecord{Token: token, Roll: 1190, Tag: "R2026-001190", Offer: name, Form: block.KindHold, HoldReason: block.HoldMeasurement,
			Origin: block.Computed, By: "kim", Reason: "looked at", ConfigHash: 0x1F2E3D4C, Payload: []uint16{0x5041, 1}, Findings: found},
		CommitRecord{Roll: 1190, Offer: name},
		VerdictRecord{Roll: 1190, Offer: name, Verdict: block.Rejected, Reason: 21, Settled: true},
		VoidRecord{Roll: 1190, Offer: name, Evidence: voidStation},
		OutcomeRecord{Outcome: block.Outcome{Index: 1189, RollNo: 1190, Boot: 41, Session: name.Session, Offer: 3, Outcome: block.Wrapped, Scale: 15712}, Words: []uint16{0x4F55, 1},
			Weighing: &Weighing{Verdict: "wrong", Reading: 1571.2, Gross: 1490.5, Delta: 80.7, Text: "weigh again"}},
		GapRecord{FromIndex: 1, ToIndex: 4, FromRoll: 2, ToRoll: 5, Closed: &name, Boot: 217000000, Cause: causeMemory},
		HoldRecord{On: true, By: "ola", Reason: "paper"},
		OverrideRecord{Roll: 1190, By: "kim", Reason: 3, Text: "flat spot", Old: map[string]float64{"layers": 3}, New: map[string]float64{"layers": 4}, Refused: found},
		ModeRecord{Armed: true, By: "kim", Reason: "checked"},
		ConfigRecord{Hash: 1, By: "kim", Changes: []ConfigChange{{"a", "1", "2"}}},
		ShadowRecord{Token: token, Roll: 1190, Tag: "R2026-001190", Verdict: "hold", Payload: []uint16{1, 2}, Findings: found},
	}
}

func TestRecordsComeBackEqual(t *testing.T) {
	seen := map[Kind]bool{}
	for _, r := range sampleRecords() {
		seen[r.Kind()] = true
		b, err := Marshal(r)
		if err != nil {
			t.Fatalf("%s: %v", r.Kind(), err)
		}
		back, err := Unmarshal(r.Kind(), b)
		if err != nil {
			t.Fatalf("%s: %v", r.Kind(), err)
		}
		if !reflect.DeepEqual(r, back) {
			t.Errorf("%s: wrote %+v, read %+v", r.Kind(), r, back)
		}
		again, err := Marshal(r)
		if err != nil || !bytes.Equal(b, again) {
			t.Errorf("%s: written twice, %s and %s", r.Kind(), b, again)
		}
	}
	for _, k := range kinds {
		if !seen[k] {
			t.Errorf("no sample of kind %s", k)
		}
	}
}

func TestUnmarshalRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		kind Kind
		text string
		want string
	}{
		{"unknown kind", "SOMETHING", `{}`, "not known"},
		{"unknown key", KindCommit, `{"roll_no":1,"colour":"red"}`, "colour"},
		{"two records", KindCommit, `{"roll_no":1}{"roll_no":2}`, "after it"},
		{"wrong type", KindCommit, `{"roll_no":"one"}`, "roll_no"},
		{"number too large", KindCommit, `{"roll_no":4294967296}`, "roll_no"},
		{"empty", KindCommit, ``, "EOF"},
		{"not JSON", KindCommit, "\x00\x01", "invalid character"},
	} {
		r, err := Unmarshal(c.kind, []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, %v; want an error with %q", c.name, r, err, c.want)
		}
	}
	if _, err := Marshal(nil); err == nil {
		t.Error("no record was written without an error")
	}
}

// FuzzUnmarshal: what is read can be written, and reads the same again.
func FuzzUnmarshal(f *testing.F) {
	for _, r := range sampleRecords() {
		b, err := Marshal(r)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(r.Kind()), b)
	}
	f.Fuzz(func(t *testing.T, kind string, b []byte) {
		r, err := Unmarshal(Kind(kind), b)
		if err != nil {
			return
		}
		if r.Kind() != Kind(kind) {
			t.Fatalf("read %s as %s", kind, r.Kind())
		}
		once, err := Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Unmarshal(r.Kind(), once)
		if err != nil {
			t.Fatalf("%s: %v", once, err)
		}
		twice, err := Marshal(back)
		if err != nil || !bytes.Equal(once, twice) {
			t.Fatalf("%s\n%s\n%v", once, twice, err)
		}
	})
}

func TestRecoverRefusesContradictions(t *testing.T) {
	a := OfferName{block.Session{Epoch: 2, Nonce: 1}, 1}
	b := OfferName{block.Session{Epoch: 2, Nonce: 1}, 2}
	open := IntentRecord{Offer: a, Roll: 1, Payload: make([]uint16, block.PayloadWords)}
	second := open
	second.Offer = b
	for _, c := range []struct {
		name string
		log  []Record
		want string
	}{
		{"epoch taken twice", []Record{SessionRecord{Session: a.Session}, SessionRecord{Session: block.Session{Epoch: 2, Nonce: 9}}}, "was taken before"},
		{"two offers open", []Record{open, second}, "before offer"},
		{"commit of no offer", []Record{CommitRecord{Offer: a}}, "no offer is open"},
		{"verdict of another offer", []Record{open, VerdictRecord{Offer: b}}, "is open"},
		{"void twice", []Record{open, VoidRecord{Offer: a}, VoidRecord{Offer: a}}, "no offer is open"},
		{"gap closes another offer", []Record{open, GapRecord{Closed: &b}}, "is open"},
		{"no record", []Record{nil}, "no record"},
	} {
		m := New(Config{Line: testLine(), Times: testTimes})
		var err error
		for i, r := range c.log {
			if err != nil {
				t.Errorf("%s: record %d: %v", c.name, i, err)
			}
			err = m.Recover(Stored{Seq: uint64(i + 1), Record: r})
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error with %q", c.name, err, c.want)
		}
	}
}

func TestNotices(t *testing.T) {
	codes := map[string]NoticeInfo{}
	for _, n := range Notices() {
		if _, twice := codes[n.Code]; twice {
			t.Errorf("code %s stands twice", n.Code)
		}
		if n.Meaning == "" || strings.ToLower(n.Code) != n.Code || strings.ContainsAny(n.Code, " _/") {
			t.Errorf("code %q, meaning %q: want kebab-case and a meaning", n.Code, n.Meaning)
		}
		codes[n.Code] = n
	}
	for _, e := range endings {
		if codes[e.begin].Code == "" || codes[e.end].Ends != e.begin {
			t.Errorf("condition %s ends with %s, the table says %+v", e.begin, e.end, codes[e.end])
		}
	}
}

func TestCodesHoldWithReasonsOfTheHandshake(t *testing.T) {
	for _, c := range Codes() {
		if got := HoldReason(c.Code); got < block.HoldNoRecipe || got > block.HoldOrderDataMissing || uint16(got) != c.Reason {
			t.Errorf("%s: reason %d, want 1 to 11", c.Code, got)
		}
	}
}

// TestStateNumbers: the heartbeat of the worked example of the handshake, 4.3,
// carries state 4 for a gateway that polls.
func TestStateNumbers(t *testing.T) {
	if StatePoll != 4 || StatePoll.String() != "POLL" || StateHalted.String() != "HALTED" || State(99).String() != "UNKNOWN" {
		t.Errorf("POLL is %d %s, HALTED is %s", StatePoll, StatePoll, StateHalted)
	}
}

// TestStandingFaultIsToldOnce: a fault that stays for a long time is told of
// once, and the journal grows slowly.
func TestStandingFaultIsToldOnce(t *testing.T) {
	for _, c := range []struct {
		name, code string
		begin      func(*world)
	}{
		{"reads torn", condInvalidRead, func(w *world) { w.faults.tearRead["REQ"] = -1 }},
		{"reads refused", condRefused, func(w *world) { w.faults.refuse["REQ"] = -1 }},
		{"payload refused", condRefused, func(w *world) { w.faults.refuse["PAYLOAD"] = -1; w.plc.arrive(12504, 16020, "A") }},
		{"payload garbled", condReadback, func(w *world) { w.faults.garble["PAYLOAD"] = -1; w.plc.arrive(12504, 16020, "A") }},
		{"controller stands", condTickStands, func(w *world) { w.plc.stopped = true }},
		{"acknowledgements lost", condRing, func(w *world) { w.faults.swallow["ACK"] = -1; w.byHand(50) }},
		{"sessions not adopted", condHello, func(w *world) { w.faults.swallow["HELLO"] = -1; w.plc.restart(true, true) }},
	} {
		w := newWorld(t)
		for range 5 {
			w.poll()
		}
		c.begin(w)
		for range 30 {
			w.poll()
		}
		before := len(w.log)
		for range 600 {
			w.poll()
		}
		if n := w.stats["notify/"+c.code]; n != 1 {
			t.Errorf("%s: %s told %d times in a minute, want once", c.name, c.code, n)
		}
		// 600 polls are a minute; pauses grow to five seconds, and a session that
		// comes to nothing leaves four records.
		if grown := len(w.log) - before; grown > 60 {
			t.Errorf("%s: the journal grew by %d records in a minute", c.name, grown)
		}
		if w.dead {
			t.Errorf("%s: halted: %s", c.name, w.haltWhy)
		}
	}
}

func TestStatus(t *testing.T) {
	w := newWorld(t)
	w.plc.arrive(12504, 16020, "R-1")
	w.faults.swallow["COMMIT"] = 1
	for range 6 {
		w.poll()
	}
	s := w.m.Status()
	if s.State != StateVerdict || s.Roll != 1 || s.Tag != "R-1" || s.Phase != block.Await || s.Open == nil || !s.Adopted || !s.LinkUp || s.Age > time.Second {
		t.Errorf("status %+v", s)
	}
	for range 20 {
		w.poll()
	}
	s = w.m.Status()
	if s.Open != nil || s.LastVerdict == nil || s.LastVerdict.Verdict != block.Accepted || s.CycleTime <= 0 || s.Covered != 1 {
		t.Errorf("status after the verdict %+v", s)
	}
	want := map[string]uint64{"offers/accepted": 1, "resends/COMMIT": 1, "sessions/start": 1}
	for i, c := range s.Counts {
		if i > 0 && s.Counts[i-1].Key >= c.Key {
			t.Errorf("counts are not sorted at %s", c.Key)
		}
		if n, ok := want[c.Key]; ok && n == c.N {
			delete(want, c.Key)
		}
	}
	if len(want) > 0 {
		t.Errorf("counts %+v lack %v", s.Counts, want)
	}
}

func BenchmarkIdlePoll(b *testing.B) {
	w := newWorld(b)
	for range 6 {
		w.poll()
	}
	v := viewOf(w.plc.published[:]).(View)
	b.ReportAllocs()
	for b.Loop() {
		w.mono += 100 * time.Millisecond
		v.Request.Tick += 10
		w.m.Step(Moment{Mono: w.mono}, Tick{})
		w.m.Step(Moment{Mono: w.mono}, v)
	}
}
