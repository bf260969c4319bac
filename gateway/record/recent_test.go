package record_test

import (
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// feed gives records to a fold, one a second.
func feed(t *testing.T, r *record.Recent, records ...record.Record) {
	t.Helper()
	at := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	for i, one := range records {
		if err := r.Add(record.Stored{Seq: uint64(i + 1), At: at.Add(time.Duration(i) * time.Second), Record: one}); err != nil {
			t.Fatal(err)
		}
	}
}

func rollsOf(from, to uint32) (out []record.Record) {
	for n := from; n <= to; n++ {
		out = append(out, record.Request{Roll: n, Token: handshake.Token{Boot: 1, Req: n}},
			record.Shadow{Roll: n, Token: handshake.Token{Boot: 1, Req: n}, Verdict: "go"},
			record.Outcome{Outcome: handshake.Outcome{Index: n, RollNo: n, Boot: 1, Req: n, Outcome: handshake.Wrapped}})
	}
	return out
}

func TestRecentKeepsTheNewest(t *testing.T) {
	var r record.Recent
	records := append([]record.Record{record.Mode{Armed: true, By: "kim"}, record.Hold{On: true, By: "lee"}}, rollsOf(1, 700)...)
	records = append(records, record.Request{Roll: 701, Token: handshake.Token{Boot: 1, Req: 701}})
	feed(t, &r, records...)
	n := r.Newest()
	if len(n.Rolls) != 601 || n.Rolls[0].Number != 101 || n.Rolls[600].Number != 701 || n.Rolls[600].Outcome != nil {
		t.Errorf("%d rolls, from %d to %d", len(n.Rolls), n.Rolls[0].Number, n.Rolls[len(n.Rolls)-1].Number)
	}
	if len(n.Acts) != 2 || n.Mode == nil || n.Mode.Seq != 1 || n.At.Seq != uint64(len(records)) {
		t.Errorf("acts %v, mode %v, newest %v", n.Acts, n.Mode, n.At)
	}
	if n.Find(650) == nil || n.Find(50) != nil {
		t.Error("roll 650 is not found, or roll 50 is")
	}
	if before := n.Before(record.Stamp{Seq: 2}, 5); len(before) != 1 || before[0].Seq != 1 {
		t.Errorf("before record 2: %v", before)
	}
}

// What a file that goes on from an archive begins with is no act, and tells the mode.
func TestRecentGoesOn(t *testing.T) {
	var r record.Recent
	feed(t, &r, record.Origin{Line: "north", Before: "x"}, record.Carry{Mode: &record.Mode{Armed: true, By: "kim"}})
	n := r.Newest()
	if len(n.Acts) != 0 || n.Mode == nil || n.Mode.Record.(record.Mode).By != "kim" {
		t.Errorf("acts %v, mode %v", n.Acts, n.Mode)
	}
}

// What was told once does not change when the fold goes on.
func TestNewestStands(t *testing.T) {
	var r record.Recent
	token := handshake.Token{Boot: 1, Req: 1}
	feed(t, &r, record.Request{Roll: 1, Token: token})
	n := r.Newest()
	for i, one := range []record.Record{record.Shadow{Roll: 1, Token: token}, record.Request{Roll: 1, Token: handshake.Token{Boot: 1, Req: 2}}} {
		if err := r.Add(record.Stored{Seq: uint64(i + 2), Record: one}); err != nil {
			t.Fatal(err)
		}
	}
	if len(n.Rolls[0].Rounds) != 1 || n.Rolls[0].Rounds[0].Shadow != nil {
		t.Errorf("it changed: %+v", n.Rolls[0])
	}
	if now := r.Newest(); len(now.Rolls[0].Rounds) != 2 || now.Rolls[0].Rounds[0].Shadow == nil {
		t.Errorf("the fold did not go on: %+v", now.Rolls[0])
	}
}

func TestRecentWants(t *testing.T) {
	r := record.Recent{Want: func(r *record.Roll) bool { return r.Number == 3 }}
	feed(t, &r, rollsOf(1, 700)...)
	if n := r.Newest(); len(n.Rolls) != 1 || n.Rolls[0].Used() == nil || n.Rolls[0].Used().Request.Token.Req != 3 {
		t.Errorf("kept %d rolls", len(n.Rolls))
	}
}

// A roll was wrapped by the offer that followed a rejected one, for the same request.
func TestUsedAfterARejection(t *testing.T) {
	r := record.Roll{
		Rounds: []record.Round{
			{Request: record.Request{Token: handshake.Token{Boot: 1, Req: 4}}},
			{Request: record.Request{Token: handshake.Token{Boot: 1, Req: 5}}, Verdict: &record.Verdict{Verdict: handshake.Rejected}},
			{Request: record.Request{Token: handshake.Token{Boot: 1, Req: 5}}, Verdict: &record.Verdict{Verdict: handshake.Accepted}},
			{Request: record.Request{Token: handshake.Token{Boot: 1, Req: 6}}},
		},
		Outcome: &record.Outcome{Outcome: handshake.Outcome{Boot: 1, Req: 5}},
	}
	if r.Used() != &r.Rounds[2] {
		t.Errorf("used %+v", r.Used())
	}
	r.Outcome.Outcome.Req = 9
	if r.Used() != r.Round() || (&record.Roll{Outcome: r.Outcome}).Used() != nil {
		t.Error("an outcome that names no round is taken for one")
	}
}
