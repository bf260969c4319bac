package stationtest

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// Entry is one record of the journal, at the time at which it was durable.
type Entry struct {
	At     int64
	Record record.Record
	// Kept is for an entry without a record: the journal was set back to its first
	// records, so many, as from a backup.
	Kept int
}

// History is what both sides tell of one station. Times of the two are compared, so
// they are of one clock; two observations never have the same.
type History struct {
	Ledger  []Event
	Journal []Entry
	// Rest says that the faults had ended, every roll had left and the journal had
	// every outcome when the history ended.
	Rest bool
}

// forever is when an operation ends that has no end.
const forever = int64(1) << 62

// operation is one step of the specification: an offer with its interval, or an
// observation at an instant.
type operation struct {
	call, end int64
	input     input
}

// key names a history that is checked by itself, in one era of the controller's
// memory: a roll, or what goes over rolls.
type key struct {
	era  int
	roll uint32
	line bool // over rolls
}

func (k key) String() string {
	if k.line {
		return fmt.Sprintf("sessions, rolls and outcomes, memory %d", k.era+1)
	}
	return fmt.Sprintf("roll %d, memory %d", k.roll, k.era+1)
}

// indexed names an outcome or a request.
type indexed struct {
	era   int
	index uint32
}

// builder sorts a history into operations.
type builder struct {
	parts  map[key][]operation
	eras   map[uint32]int // by the starts seen so far
	newest int            // era

	gaps     map[key]int        // rolls that the journal has a gap over, by the place of that record
	shown    key                // roll of the newest offer that was judged, which the result names
	asked    map[indexed]uint32 // rolls by request
	leftAs   map[indexed]uint32 // and by outcome
	offers   map[record.OfferName]*offer
	counts   map[key]int                // offers, by roll
	sessions map[handshake.Session]bool // journaled
	era      int                        // of the journal
	durable  []record.Record            // that the journal holds now
	report   Report
}

// offer is one offer as the journal tells of it.
type offer struct {
	key    key
	id     int // within its roll
	intent record.Intent
	at     int // its operation, once it is committed; else −1
}

func (h *History) build() (*builder, error) {
	b := &builder{parts: map[key][]operation{}, eras: map[uint32]int{}, gaps: map[key]int{}, asked: map[indexed]uint32{}, leftAs: map[indexed]uint32{}, offers: map[record.OfferName]*offer{}, counts: map[key]int{}, sessions: map[handshake.Session]bool{}}
	type item struct {
		at    int64
		event *Event
		entry *Entry
	}
	var items []item
	for i := range h.Ledger {
		e := &h.Ledger[i]
		items = append(items, item{e.At, e, nil})
	}
	for i := range h.Journal {
		items = append(items, item{h.Journal[i].At, nil, &h.Journal[i]})
	}
	// Of one instant of the clock, the controller's event comes first.
	slices.SortStableFunc(items, func(a, b item) int { return cmp.Compare(a.at, b.at) })
	for i, it := range items {
		now := int64(i) + 1
		if it.event != nil {
			if err := b.event(now, it.event); err != nil {
				return nil, err
			}
			continue
		}
		if it.entry.Record == nil {
			b.setBack(now, it.entry.Kept)
			continue
		}
		b.record(now, it.entry.Record)
	}
	if h.Rest {
		end := int64(len(items)) + 1
		for k := range b.parts {
			if k.era == b.newest {
				b.see(end, k, input{what: atRest})
			}
		}
	}
	return b, nil
}

// see adds an observation. Operations lie between whole numbers, so that an offer
// that ends with an observation comes before it.
func (b *builder) see(now int64, k key, in input) {
	b.parts[k] = append(b.parts[k], operation{2*now + 1, 2*now + 1, in})
}

// eraOf is the era of a start of the controller.
func (b *builder) eraOf(boot uint32) int { return b.eras[boot] }

// unknownOffer is the id of an offer of which the journal does not tell.
const unknownOffer, noOffer = -2, -1

func (b *builder) idOf(s handshake.Session, n uint16, k key) int {
	if n == 0 && s == (handshake.Session{}) {
		return noOffer
	}
	if o := b.offers[record.OfferName{Session: s, Offer: n}]; o != nil && o.key == k {
		return o.id
	}
	return unknownOffer
}

func (b *builder) event(now int64, e *Event) error {
	if e.What == MemoryLost {
		b.newest++
	}
	if e.What == Booted || e.What == MemoryLost {
		b.eras[e.Boot] = b.newest
	}
	era := b.newest
	line, roll := key{era: era, line: true}, key{era: era, roll: e.Roll}
	in := input{boot: e.Boot, req: e.Req, roll: e.Roll, session: e.session(), number: e.Offer, index: e.Index, verdict: e.Verdict, outcome: e.Outcome}
	switch e.What {
	case Booted, MemoryLost:
		in.what = started
	case Adopted:
		in.what, in.known = adopted, e.Stranger || b.sessions[e.session()]
	case Acknowledged:
		in.what = acknowledged
	case Entered, Requested, Judged, Left:
		switch e.What {
		case Requested:
			b.asked[indexed{era, e.Req}] = e.Roll
		case Judged:
			b.shown = roll
		case Left:
			b.leftAs[indexed{era, e.Index}] = e.Roll
		}
		in.what = map[What]step{Entered: entered, Requested: requested, Judged: judged, Left: left}[e.What]
		in.offer = b.idOf(e.session(), e.Offer, roll)
		b.see(now, roll, in)
	default:
		return fmt.Errorf("ledger: an event %q is not known", e.What)
	}
	b.see(now, line, in)
	return nil
}

func (b *builder) record(now int64, r record.Record) {
	b.durable = append(b.durable, r)
	switch r := r.(type) {
	case record.Session:
		b.era = b.eraOf(r.Boot)
		b.sessions[r.Session] = true
		b.see(now, key{era: b.era, line: true}, input{what: opened, session: r.Session})
	case record.Request:
		b.era = b.eraOf(r.Token.Boot)
	case record.Intent:
		k := key{era: b.eraOf(r.Token.Boot), roll: r.Roll}
		if n, ok := b.asked[indexed{k.era, r.Token.Req}]; ok {
			k.roll = n
		}
		if b.offers[r.Offer] == nil {
			b.report.Offers++
			b.offers[r.Offer] = &offer{k, b.counts[k], r, -1}
			b.counts[k]++
		}
	case record.Commit:
		b.commit(now, r.Offer)
	case record.Verdict:
		b.close(now, r.Offer, input{what: closed, verdict: r.Verdict})
	case record.Void:
		b.close(now, r.Offer, input{what: voided})
	case record.Outcome:
		k := key{era: b.eraOf(r.Outcome.Boot), roll: r.Outcome.RollNo}
		in := input{what: journaled, roll: k.roll, index: r.Outcome.Index, outcome: r.Outcome.Outcome, offer: b.idOf(r.Outcome.Session, r.Outcome.Offer, k)}
		b.see(now, k, in)
		b.see(now, key{era: k.era, line: true}, in)
		if _, ok := b.gaps[k]; ok {
			b.report.Overtaken++
		}
	case record.Gap:
		b.gap(now, &r)
	}
}

func (b *builder) commit(now int64, n record.OfferName) {
	o := b.offers[n]
	if o == nil || o.at >= 0 {
		return
	}
	o.at = len(b.parts[o.key])
	b.parts[o.key] = append(b.parts[o.key], operation{2 * now, forever, input{
		what: offered, offer: o.id, boot: o.intent.Token.Boot, req: o.intent.Token.Req, other: o.intent.Roll != o.key.roll, hold: o.intent.Form == handshake.KindHold,
	}})
	b.report.Unknown++
}

// close ends the operation of an offer with what the journal says of it.
func (b *builder) close(now int64, n record.OfferName, in input) {
	o := b.offers[n]
	if o == nil {
		return
	}
	if o.at >= 0 && b.parts[o.key][o.at].end == forever {
		b.parts[o.key][o.at].end = 2 * now
		b.report.Unknown--
	}
	in.offer, in.passed = o.id, b.shown != o.key
	b.see(now, o.key, in)
}

func (b *builder) gap(now int64, r *record.Gap) {
	if r.Boot != 0 {
		b.era = b.eraOf(r.Boot)
		return // what it closes or covers is of before, and nothing can be known of it
	}
	if r.ToIndex != 0 {
		b.see(now, key{era: b.era, line: true}, input{what: missed, index: r.FromIndex, upTo: r.ToIndex})
	}
	for i := r.FromIndex; i != 0 && i <= r.ToIndex; i++ {
		if n, ok := b.leftAs[indexed{b.era, i}]; ok && (n < r.FromRoll || n > r.ToRoll) {
			b.see(now, key{era: b.era, roll: n}, input{what: missed})
		}
	}
	for n := r.FromRoll; n != 0 && n <= r.ToRoll; n++ {
		k := key{era: b.era, roll: n}
		if _, ok := b.gaps[k]; !ok {
			b.gaps[k] = len(b.durable) - 1
		}
		b.see(now, k, input{what: missed})
	}
}

// setBack leaves the first records of the journal. What the others said is told
// again, or is in a gap.
func (b *builder) setBack(now int64, kept int) {
	held, taken, dropped := uint32(0), handshake.Session{}, b.durable[kept:]
	for _, r := range b.durable[:kept] {
		switch r := r.(type) {
		case record.Session:
			taken = r.Session
		case record.Outcome:
			held = max(held, r.Outcome.Index)
		case record.Gap:
			held = max(held, r.ToIndex)
			if r.Boot != 0 {
				held = 0
			}
		}
	}
	b.durable = slices.Clone(b.durable[:kept])
	maps.DeleteFunc(b.gaps, func(_ key, at int) bool { return at >= kept })
	for _, r := range dropped {
		if o, ok := r.(record.Outcome); ok {
			b.see(now, key{era: b.eraOf(o.Outcome.Boot), roll: o.Outcome.RollNo}, input{what: forgot})
		}
	}
	b.see(now, key{era: b.era, line: true}, input{what: forgot, index: held, session: taken})
}
