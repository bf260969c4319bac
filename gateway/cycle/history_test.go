package cycle

import (
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
	h.w.stats["history/gap too early"] += r.Overtaken
}
