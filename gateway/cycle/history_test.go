package cycle

import (
	"slices"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/stationtest"
)

// witness writes down what the controller does and what the journal gets, in the
// order in which it happens.
type witness struct {
	w       *world
	now     int64
	newest  uint32 // roll that came
	history stationtest.History
}

func (h *witness) begin(w *world) {
	h.w = w
	p := w.plc
	adopted, acked, outcome := p.onAdopt, p.onAck, p.onOutcome
	p.onAdopt = func(epoch, nonce uint32) {
		adopted(epoch, nonce)
		h.sees(stationtest.Event{What: stationtest.Adopted, Epoch: epoch, Nonce: nonce, Stranger: nonce == 0xBEEF})
	}
	p.onAck = func(from, to uint32) {
		acked(from, to)
		h.sees(stationtest.Event{What: stationtest.Acknowledged, Index: to})
	}
	p.onOutcome = func(e [40]uint16) {
		outcome(e)
		h.newest = w.plc.roll
		h.sees(stationtest.Event{
			What: stationtest.Left, Roll: w.plc.roll, Outcome: handshake.OutcomeKind(e[15]), Index: long(e[:], 2),
			Epoch: long(e[:], 10), Nonce: long(e[:], 12), Offer: e[14],
		})
	}
	p.onJudge = func(commit []uint16, verdict uint16) {
		n := nameOf(commit, 1)
		h.sees(stationtest.Event{
			What: stationtest.Judged, Roll: w.plc.roll, Req: w.plc.req, Verdict: handshake.Verdict(verdict),
			Epoch: n.Session.Epoch, Nonce: n.Session.Nonce, Offer: n.Offer,
		})
	}
	p.onRequest = func() {
		if w.plc.roll != h.newest {
			h.newest = w.plc.roll
			h.sees(stationtest.Event{What: stationtest.Entered, Roll: h.newest})
		}
		h.sees(stationtest.Event{What: stationtest.Requested, Roll: w.plc.roll, Req: w.plc.req})
	}
	p.onBoot = func(lost bool) {
		if lost {
			h.newest = 0
			h.sees(stationtest.Event{What: stationtest.MemoryLost})
			return
		}
		h.sees(stationtest.Event{What: stationtest.Booted})
	}
	h.sees(stationtest.Event{What: stationtest.Booted})
}

func (h *witness) sees(e stationtest.Event) {
	h.now++
	e.At, e.Boot = h.now, h.w.plc.boot
	h.history.Ledger = append(h.history.Ledger, e)
}

func (h *witness) journals(r record.Record) {
	h.now++
	h.history.Journal = append(h.history.Journal, stationtest.Entry{At: h.now, Record: r})
}

// setBack says that the journal is a backup of its first records.
func (h *witness) setBack(kept int) {
	h.now++
	h.history.Journal = append(h.history.Journal, stationtest.Entry{At: h.now, Kept: kept})
}

// check holds the whole history against the sequential station.
func (h *witness) check() {
	h.history.Rest = true
	r, err := h.history.Check()
	if err != nil {
		h.w.fail("%v", err)
	}
	h.w.stats["history/checked"] += r.Histories
	h.w.stats["history/operations"] += r.Operations
	h.w.stats["history/offers"] += r.Offers
	h.w.stats["history/unknown"] += r.Unknown
	if r.Overtaken > 0 {
		h.w.fail("S10: %d gaps were written over rolls whose outcome came afterwards", r.Overtaken)
	}
}

// TestHistoryOfARunCanFail falsifies the history of a run of the machine in one place
// at a time: each has to be refused.
func TestHistoryOfARunCanFail(t *testing.T) {
	w := newWorld(t)
	for range 3 {
		w.plc.arrive(12504, 16020, "R")
		for range 15 {
			w.poll()
		}
		w.plc.finish()
		for range 10 {
			w.poll()
		}
	}
	w.told.check()
	events := w.told.history.Ledger
	judged := slices.IndexFunc(events, func(e stationtest.Event) bool { return e.What == stationtest.Judged })
	for _, c := range []struct {
		name   string
		change func(*stationtest.History)
	}{
		{"accepted twice", func(h *stationtest.History) { h.Ledger = slices.Insert(h.Ledger, judged+1, h.Ledger[judged]) }},
		{"accepted for another roll", func(h *stationtest.History) { h.Ledger[judged].Roll++ }},
		{"accepted for another request", func(h *stationtest.History) { h.Ledger[judged].Req++ }},
		{"a used offer called void", func(h *stationtest.History) {
			for i, e := range h.Journal {
				if v, ok := e.Record.(record.Verdict); ok {
					h.Journal[i].Record = record.Void{Roll: v.Roll, Offer: v.Offer, Evidence: voidRequested}
					return
				}
			}
		}},
		{"an outcome lost", func(h *stationtest.History) {
			i := slices.IndexFunc(h.Journal, func(e stationtest.Entry) bool { return e.Record.Kind() == record.KindOutcome })
			h.Journal = slices.Delete(h.Journal, i, i+1)
		}},
	} {
		h := stationtest.History{Ledger: slices.Clone(events), Journal: slices.Clone(w.told.history.Journal), Rest: true}
		c.change(&h)
		if _, err := h.Check(); err == nil {
			t.Errorf("%s: nothing was found", c.name)
		}
	}
}
