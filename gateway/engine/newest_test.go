package engine_test

import (
	"testing"
	"time"

	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// One record of a journal is found by its number, and the newest by its kind.
func TestHashAtAndNewest(t *testing.T) {
	d := enginetest.New(t)
	c := d.Connect(t, enginetest.Machine)
	all := forged(t, journal.Head{}, "a", times(time.Now(), 20, time.Second)...)
	all = append(all, linked(t, headOf(all[19]), time.Now(), record.Mode{By: "kim"}))
	genesis := all[0].Hash
	registered(t, c, genesis)
	if _, err := c.Append(t.Context(), genesis, all); err != nil {
		t.Fatal(err)
	}
	for _, seq := range []uint64{0, 1, 7, 21, 22} {
		h, ok, err := c.HashAt(t.Context(), genesis, seq)
		there := seq > 0 && seq <= 21
		if err != nil || ok != there || there && h != all[seq-1].Hash {
			t.Errorf("record %d: %v, %t, %v", seq, h, ok, err)
		}
	}
	for kind, want := range map[record.Kind]uint64{record.KindHold: 20, record.KindMode: 21, record.KindOutcome: 0} {
		if e, ok, err := c.Newest(t.Context(), genesis, kind); err != nil || ok != (want > 0) || ok && e.Seq != want {
			t.Errorf("newest %s: %d, %t, %v, want %d", kind, e.Seq, ok, err, want)
		}
	}
	if _, ok, err := c.Newest(t.Context(), journal.Hash{1}, record.KindHold); ok || err != nil {
		t.Errorf("of a journal that is none: %t, %v", ok, err)
	}
}
