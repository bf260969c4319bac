package engine_test

import (
	"testing"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// chain is a journal of its own with so many records, as they are stored.
func chain(t testing.TB, n int) []journal.Entry {
	t.Helper()
	path := t.TempDir() + "/north.db"
	j, err := journal.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		var r record.Record = record.Commit{Roll: uint32(i / 4), Offer: record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 7}, Offer: uint16(i)}}
		switch i % 4 {
		case 0:
			r = record.Shadow{Roll: uint32(i / 4), Tag: "R-\x00" + string(rune('a'+i%26)) + "ü", Verdict: "go"}
		case 1:
			r = record.Intent{Roll: uint32(i / 4), Tag: "R", Form: handshake.KindHold, HoldReason: handshake.HoldReason(1 + i%3), Payload: []uint16{1, 2, 3}}
		case 2:
			r = record.Verdict{Roll: uint32(i / 4), Verdict: handshake.Rejected, Reason: 3}
		}
		if _, err := j.Append(t.Context(), r); err != nil {
			t.Fatal(err)
		}
	}
	var out []journal.Entry
	if err := j.Walk(t.Context(), journal.Filter{}, func(e journal.Entry) error { out = append(out, e); return nil }); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return out
}

func headOf(e journal.Entry) journal.Head { return journal.Head{Seq: e.Seq, Hash: e.Hash} }

func TestAppendKeepsEachRecordOnce(t *testing.T) {
	d := enginetest.New(t)
	c := d.Connect(t, enginetest.Machine)
	all := chain(t, 40)
	genesis := all[0].Hash
	for range 2 {
		head, err := c.Register(t.Context(), engine.Journal{Genesis: genesis, Line: "north"})
		if err != nil || head != (journal.Head{}) {
			t.Fatalf("registered with head %v, %v, want none", head, err)
		}
	}
	for _, part := range [][2]int{{0, 10}, {0, 10}, {5, 15}, {14, 40}, {0, 3}, {30, 40}} {
		head, err := c.Append(t.Context(), genesis, all[part[0]:part[1]])
		if err != nil {
			t.Fatal(err)
		}
		if want := headOf(all[max(part[1], int(head.Seq))-1]); head != want {
			t.Fatalf("after records %v the head is %v, want %v", part, head, want)
		}
	}
	got, err := c.Records(t.Context(), genesis, 0, 100)
	if err != nil || len(got) != len(all) {
		t.Fatalf("%d records, %v, want %d", len(got), err, len(all))
	}
	for i := range got {
		if got[i].Hash != all[i].Hash || got[i].Prev != all[i].Prev || string(got[i].Body) != string(all[i].Body) || !got[i].At.Equal(all[i].At) {
			t.Errorf("record %d came back as %+v, want %+v", i+1, got[i], all[i])
		}
	}
	if out := d.SQL(t, `SELECT records, bad_seq FROM lapgate.verify((SELECT genesis FROM lapgate.journals))`); out != "40|" {
		t.Errorf("verified there: %s, want 40 sound records", out)
	}
}
