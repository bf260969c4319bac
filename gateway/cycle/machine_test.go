package cycle

import (
	"fmt"
	"lapgate/gateway/alarm"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestRecoverRefusesContradictions(t *testing.T) {
	a := record.OfferName{Session: handshake.Session{Epoch: 2, Nonce: 1}, Offer: 1}
	b := record.OfferName{Session: handshake.Session{Epoch: 2, Nonce: 1}, Offer: 2}
	open := record.Intent{Offer: a, Roll: 1, Payload: make([]uint16, handshake.PayloadWords)}
	second := open
	second.Offer = b
	for _, c := range []struct {
		name string
		log  []record.Record
		want string
	}{
		{"epoch taken twice", []record.Record{record.Session{Session: a.Session}, record.Session{Session: handshake.Session{Epoch: 2, Nonce: 9}}}, "was taken before"},
		{"two offers open", []record.Record{open, second}, "before offer"},
		{"commit of no offer", []record.Record{record.Commit{Offer: a}}, "no offer is open"},
		{"verdict of another offer", []record.Record{open, record.Verdict{Offer: b}}, "is open"},
		{"void twice", []record.Record{open, record.Void{Offer: a}, record.Void{Offer: a}}, "no offer is open"},
		{"gap closes another offer", []record.Record{open, record.Gap{Closed: &b}}, "is open"},
		{"no record", []record.Record{nil}, "no record"},
	} {
		m := New(Config{Line: testLine(), Times: testTimes})
		var err error
		for i, r := range c.log {
			if err != nil {
				t.Errorf("%s: record %d: %v", c.name, i, err)
			}
			err = m.Recover(record.Stored{Seq: uint64(i + 1), Record: r})
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error with %q", c.name, err, c.want)
		}
	}
}

func TestNotices(t *testing.T) {
	seen := map[string]bool{}
	for _, n := range notices {
		for _, code := range []string{n.code, n.endsBy} {
			if seen[code] && code != "" {
				t.Errorf("code %s stands twice", code)
			}
			if strings.ToLower(code) != code || strings.ContainsAny(code, " _/") {
				t.Errorf("code %q: want kebab-case", code)
			}
			seen[code] = true
		}
		if n.code == "" || !strings.HasSuffix(n.meaning().String(), ".") || n.level == Alarm && n.remedy().IsZero() {
			t.Errorf("%+v: want a code, a sentence that says what it means, and for an alarm what to do", n)
		}
	}
}

// What may hurt somebody, or leaves a record that nobody can vouch for, calls at once
// and until it is seen. What ends with a person's own act, as a hold of all rolls, is
// no alarm; whatever else is told as an alarm has a priority.
func TestAlarmsOfNotices(t *testing.T) {
	var firm []string
	for _, n := range notices {
		r, ok := RuleOf(n.code)
		switch {
		case !ok || r.Code != n.code || r.Meaning != n.meaning().String() || r.Remedy.String() != n.remedy().String():
			t.Errorf("%s: the rule is %+v", n.code, r)
		case n.level == Alarm && r.Priority < alarm.Medium:
			t.Errorf("%s: told as an alarm, and its priority is %s", n.code, r.Priority)
		case r.Priority != alarm.None && r.Remedy.IsZero():
			t.Errorf("%s: an alarm without a remedy", n.code)
		case r.Priority == alarm.None && n.endsBy != "" && n.code != condHoldAll && n.code != condByHand:
			t.Errorf("%s: a condition that is no alarm", n.code)
		case r.Priority > alarm.Low && r.On > 0:
			t.Errorf("%s: of priority %s, and delayed", n.code, r.Priority)
		}
		if r.Firm {
			firm = append(firm, n.code)
		}
		if Standing(n.code) != (n.endsBy != "") {
			t.Errorf("%s: standing is %t", n.code, Standing(n.code))
		}
	}
	want := []string{noteFenced, noteJournalFailed, condMemoryLost, condJournal, condDoubt, condContradiction, condPlatenHot, ConditionEnded}
	if !slices.Equal(firm, want) {
		t.Errorf("firm are %v, want %v", firm, want)
	}
	if _, ok := RuleOf("link-up"); ok {
		t.Error("the end of a condition has a row")
	}
}

// A platen that runs away is told of while no roll waits.
func TestPlatenAboveCeiling(t *testing.T) {
	w := newWorld(t)
	for _, c := range []struct {
		hotter uint16 // 0.1 °C
		stands bool
	}{{1767, false}, {2000, false}, {2001, true}, {2400, true}, {2000, false}, {2400, true}, {0, false}} {
		w.plc.hotter = c.hotter
		for range 5 {
			w.poll()
		}
		if got := w.m.standing(condPlatenHot) >= 0; got != c.stands {
			t.Errorf("at %.1f °C it stands: %t, want %t", float64(c.hotter)/10, got, c.stands)
		}
	}
}

func TestCodesHoldWithReasonsOfTheHandshake(t *testing.T) {
	for _, c := range Codes() {
		if got := HoldReason(c.Code); got < handshake.HoldNoRecipe || got > handshake.HoldTag || uint16(got) != c.Reason {
			t.Errorf("%s: reason %d, want 1 to 12", c.Code, got)
		}
	}
}

// TestStateNumbers: the states have the numbers of the handshake, 4.2, as its worked
// example carries 4 for a gateway that polls.
func TestStateNumbers(t *testing.T) {
	const text = "0 OFFLINE, 1 OPEN, 2 HELLO_WAIT, 3 SETTLE, 4 POLL, 5 COMPUTE, 6 PREPARE, 7 LOOK, 8 VERDICT, 9 FENCED, 10 WATCH, 11 HALTED"
	var got []string
	for s := StateOffline; s <= StateHalted; s++ {
		got = append(got, fmt.Sprintf("%d %s", s, s))
	}
	if all := strings.Join(got, ", "); all != text || State(99).String() != "UNKNOWN" || StatePoll != 4 {
		t.Errorf("got %s", all)
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
	if s.State != StateVerdict || s.Roll != 1 || s.Tag != "R-1" || s.Phase != handshake.Await || s.Open == nil || !s.Adopted || !s.LinkUp || s.Age > time.Second {
		t.Errorf("status %+v", s)
	}
	former, as := s.Counts, fmt.Sprint(s.Counts)
	for range 20 {
		w.poll()
	}
	if fmt.Sprint(former) != as {
		t.Errorf("a status that was given away has become %v, was %s", former, as)
	}
	s = w.m.Status()
	if s.Open != nil || s.LastVerdict == nil || s.LastVerdict.Verdict != handshake.Accepted || s.CycleTime <= 0 || s.Covered != 1 {
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
