package stationtest_test

import (
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	. "lapgate/gateway/stationtest"
)

// shift is a history that is written down as it goes.
type shift struct {
	History
	now   int64
	boot  uint32
	roll  uint32
	req   uint32
	name  record.OfferName
	index uint32
}

func (s *shift) sees(e Event) {
	s.now++
	e.At, e.Boot = s.now, s.boot
	s.Ledger = append(s.Ledger, e)
}

func (s *shift) writes(r record.Record) {
	s.now++
	s.Journal = append(s.Journal, Entry{At: s.now, Record: r})
}

func (s *shift) starts() {
	s.boot++
	s.sees(Event{What: Booted})
}

func (s *shift) opens() {
	s.name = record.OfferName{Session: handshake.Session{Epoch: s.name.Session.Epoch + 1, Nonce: 77}}
	s.writes(record.Session{Session: s.name.Session, Boot: s.boot})
	s.sees(Event{What: Adopted, Epoch: s.name.Session.Epoch, Nonce: 77})
}

func (s *shift) comes() {
	s.roll++
	s.sees(Event{What: Entered, Roll: s.roll})
	s.asks()
}

func (s *shift) asks() {
	s.req++
	s.sees(Event{What: Requested, Roll: s.roll, Req: s.req})
}

// offers makes an offer and sends it.
func (s *shift) offers(form handshake.Kind) record.OfferName {
	s.name.Offer++
	s.writes(record.Intent{Token: handshake.Token{Boot: s.boot, Req: s.req}, Roll: s.roll, Offer: s.name, Form: form})
	s.writes(record.Commit{Roll: s.roll, Offer: s.name})
	return s.name
}

func (s *shift) judges(n record.OfferName, v handshake.Verdict) {
	s.sees(Event{What: Judged, Roll: s.roll, Req: s.req, Epoch: n.Session.Epoch, Nonce: n.Session.Nonce, Offer: n.Offer, Verdict: v})
}

func (s *shift) verdict(n record.OfferName, v handshake.Verdict) {
	s.writes(record.Verdict{Roll: s.roll, Offer: n, Verdict: v})
}

// leaves lets the roll go, with a recipe where it names one.
func (s *shift) leaves(o handshake.OutcomeKind, n record.OfferName) {
	s.index++
	s.sees(Event{What: Left, Roll: s.roll, Outcome: o, Index: s.index, Epoch: n.Session.Epoch, Nonce: n.Session.Nonce, Offer: n.Offer})
	s.writes(record.Outcome{Outcome: handshake.Outcome{Index: s.index, RollNo: s.roll, Boot: s.boot, Outcome: o, Session: n.Session, Offer: n.Offer}})
	s.sees(Event{What: Acknowledged, Index: s.index})
}

// sound is a history of five rolls in which everything happened that may happen.
func sound() *shift {
	s := &shift{}
	s.starts()
	s.opens()
	s.comes() // 1: wrapped as computed
	n := s.offers(handshake.KindRecipe)
	s.judges(n, handshake.Accepted)
	s.verdict(n, handshake.Accepted)
	s.leaves(handshake.Wrapped, n)
	s.comes() // 2: held, tried again, refused, accepted
	n = s.offers(handshake.KindHold)
	s.judges(n, handshake.HeldVerdict)
	s.verdict(n, handshake.HeldVerdict)
	s.asks()
	n = s.offers(handshake.KindRecipe)
	s.judges(n, handshake.Rejected)
	s.verdict(n, handshake.Rejected)
	n = s.offers(handshake.KindRecipe)
	s.judges(n, handshake.Accepted)
	s.leaves(handshake.Wrapped, n)
	s.verdict(n, handshake.Accepted) // learnt from the outcome
	s.comes()                        // 3: measured again under an offer, then by hand
	n = s.offers(handshake.KindRecipe)
	s.asks()
	s.writes(record.Void{Roll: s.roll, Offer: n, Evidence: "newer request"})
	s.leaves(handshake.WrappedByHand, record.OfferName{})
	s.comes() // 4: the journal never learns what became of the offer
	s.offers(handshake.KindRecipe)
	s.leaves(handshake.Removed, record.OfferName{})
	s.starts()
	s.opens()
	s.comes() // 5: likewise, and it was accepted
	n = s.offers(handshake.KindRecipe)
	s.judges(n, handshake.Accepted)
	s.leaves(handshake.Wrapped, n)
	s.Rest = true
	return s
}

func TestSoundHistory(t *testing.T) {
	r, err := sound().Check()
	if err != nil {
		t.Fatal(err)
	}
	if r.Histories != 6 || r.Offers != 7 || r.Unknown != 2 {
		t.Errorf("checked %+v, want 6 histories and 7 offers, 2 of them unknown", r)
	}
}

// of returns where the n-th event of a kind stands in the ledger.
func (s *shift) of(w What, n int) int {
	for i, e := range s.Ledger {
		if e.What == w {
			if n--; n == 0 {
				return i
			}
		}
	}
	panic("no such event: " + w)
}

// records returns where the n-th record of a kind stands in the journal.
func (s *shift) records(k record.Kind, n int) int {
	for i, e := range s.Journal {
		if e.Record.Kind() == k {
			if n--; n == 0 {
				return i
			}
		}
	}
	panic("no such record: " + k)
}

// TestWrongHistories changes the sound history in one place at a time. A change that
// nothing is found in would mean that the check proves nothing.
func TestWrongHistories(t *testing.T) {
	for _, c := range []struct {
		name, want string
		change     func(*shift)
	}{
		{"an offer is accepted twice", "cannot come [judged, roll 1", func(s *shift) {
			s.Ledger = slices.Insert(s.Ledger, s.of(Judged, 1)+1, s.Ledger[s.of(Judged, 1)])
		}},
		{"a second offer is accepted for the roll", "cannot come [judged, roll 2", func(s *shift) {
			s.Ledger[s.of(Judged, 3)].Verdict = handshake.Accepted
			i := s.records(record.KindVerdict, 3)
			r := s.Journal[i].Record.(record.Verdict)
			r.Verdict = handshake.Accepted
			s.Journal[i].Record = r
		}},
		{"an offer is accepted for another roll", "cannot come [", func(s *shift) {
			s.Ledger[s.of(Judged, 5)].Roll = 4
		}},
		{"an offer is accepted for an older measurement", "cannot come [judged, roll 2, request 2", func(s *shift) {
			s.Ledger[s.of(Judged, 4)].Req = 2
		}},
		{"an offer is accepted whose measurement is an older one", "cannot come [judged, roll 2", func(s *shift) {
			i := s.records(record.KindIntent, 4)
			r := s.Journal[i].Record.(record.Intent)
			r.Token.Req--
			s.Journal[i].Record = r
		}},
		{"an offer is accepted that was made for another roll", "cannot come [", func(s *shift) {
			i := s.records(record.KindIntent, 4)
			r := s.Journal[i].Record.(record.Intent)
			r.Roll = 1
			s.Journal[i].Record = r
		}},
		{"an offer is accepted that was never committed", "cannot come [judged, roll 1", func(s *shift) {
			s.Journal = slices.Delete(s.Journal, s.records(record.KindCommit, 1), s.records(record.KindCommit, 1)+1)
		}},
		{"an offer is accepted that the journal does not know", "roll 1", func(s *shift) {
			i := s.records(record.KindIntent, 1)
			s.Journal = slices.Delete(s.Journal, i, i+2)
		}},
		{"an offer of an older session is accepted", "sessions, rolls and outcomes, memory 1: ", func(s *shift) {
			i := s.of(Judged, 5)
			s.Ledger[i].Epoch, s.Ledger[i].Offer = 1, 7
		}},
		{"a used offer is called void", "cannot come [VOID, offer no. 1", func(s *shift) {
			i := s.records(record.KindVerdict, 1)
			s.Journal[i].Record = record.Void{Roll: 1, Offer: s.Journal[i].Record.(record.Verdict).Offer}
		}},
		{"an offer is used after it was called void", "cannot come [judged, roll 1", func(s *shift) {
			i, e := s.of(Judged, 1), s.records(record.KindVerdict, 1)
			s.Journal[e].Record = record.Void{Roll: 1, Offer: s.Journal[e].Record.(record.Verdict).Offer}
			s.Ledger[i].At, s.Journal[e].At = s.Journal[e].At, s.Ledger[i].At
		}},
		{"a hold is called void while its result stands", "cannot come [VOID", func(s *shift) {
			i := s.records(record.KindVerdict, 2)
			s.Journal[i].Record = record.Void{Roll: 2, Offer: s.Journal[i].Record.(record.Verdict).Offer}
		}},
		{"the journal has a verdict that was not given", "cannot come [VERDICT", func(s *shift) {
			i := s.records(record.KindVerdict, 3)
			r := s.Journal[i].Record.(record.Verdict)
			r.Verdict = handshake.Accepted
			s.Journal[i].Record = r
		}},
		{"the verdict stands before the judgement", "cannot come [", func(s *shift) {
			i, e := s.of(Judged, 1), s.records(record.KindVerdict, 1)
			s.Ledger[i].At, s.Journal[e].At = s.Journal[e].At, s.Ledger[i].At
		}},
		{"an outcome is lost, and acknowledged", "cannot come [", func(s *shift) {
			i := s.records(record.KindOutcome, 3)
			s.Journal = slices.Delete(s.Journal, i, i+1)
		}},
		{"the last outcome is lost", "cannot come [the end]", func(s *shift) {
			i := s.records(record.KindOutcome, 5)
			s.Journal = slices.Delete(s.Journal, i, i+1)
			s.Ledger = slices.Delete(s.Ledger, s.of(Acknowledged, 5), s.of(Acknowledged, 5)+1)
		}},
		{"an outcome is acknowledged before the journal has it", "cannot come [acknowledged", func(s *shift) {
			i, e := s.of(Acknowledged, 2), s.records(record.KindOutcome, 2)
			s.Ledger[i].At, s.Journal[e].At = s.Journal[e].At, s.Ledger[i].At
		}},
		{"an outcome is journaled twice", "cannot come [OUTCOME", func(s *shift) {
			i := s.records(record.KindOutcome, 2)
			s.Journal = slices.Insert(s.Journal, i+1, s.Journal[i])
		}},
		{"an outcome is another in the journal", "cannot come [OUTCOME, roll 3", func(s *shift) {
			i := s.records(record.KindOutcome, 3)
			r := s.Journal[i].Record.(record.Outcome)
			r.Outcome.Outcome = handshake.Removed
			s.Journal[i].Record = r
		}},
		{"an outcome names another offer in the journal", "cannot come [OUTCOME, roll 2", func(s *shift) {
			i := s.records(record.KindOutcome, 2)
			r := s.Journal[i].Record.(record.Outcome)
			r.Outcome.Offer--
			s.Journal[i].Record = r
		}},
		{"a gap stands over what can be read", "cannot come [GAP", func(s *shift) {
			i := s.records(record.KindOutcome, 2)
			s.Journal[i].Record = record.Gap{FromIndex: 2, ToIndex: 2, FromRoll: 2, ToRoll: 2}
		}},
		{"a roll is left out", "cannot come [roll enters", func(s *shift) {
			for i := s.of(Left, 2) + 1; i < len(s.Ledger); i++ {
				if e := &s.Ledger[i]; e.Roll != 0 {
					e.Roll++
				}
			}
		}},
		{"a roll leaves twice", "cannot come [roll leaves", func(s *shift) {
			s.Ledger = slices.Insert(s.Ledger, s.of(Left, 1)+1, s.Ledger[s.of(Left, 1)])
		}},
		{"a roll is wrapped with a recipe it never accepted", "cannot come [VERDICT, offer no. 1", func(s *shift) {
			s.Ledger = slices.Delete(s.Ledger, s.of(Judged, 1), s.of(Judged, 1)+1)
		}},
		{"a session is adopted that is not in the journal", "cannot come [session adopted", func(s *shift) {
			s.Journal = slices.Delete(s.Journal, s.records(record.KindSession, 2), s.records(record.KindSession, 2)+1)
		}},
		{"an older session is adopted", "cannot come [session adopted", func(s *shift) {
			s.Ledger[s.of(Adopted, 2)].Epoch = 1
		}},
		{"an epoch is taken again", "cannot come [SESSION", func(s *shift) {
			i := s.records(record.KindSession, 2)
			s.Journal[i].Record = s.Journal[s.records(record.KindSession, 1)].Record
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := sound()
			c.change(s)
			_, err := s.Check()
			if err == nil {
				t.Fatal("nothing was found")
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v\nwant an error with %q", err, c.want)
			}
		})
	}
}

// TestUnknownOffers: an offer that no record closes may have taken effect at any time
// or never, and is no excuse for anything else.
func TestUnknownOffers(t *testing.T) {
	s := sound()
	s.Journal = slices.DeleteFunc(s.Journal, func(e Entry) bool { return e.Record.Kind() == record.KindVerdict })
	r, err := s.Check()
	if err != nil || r.Unknown != 6 {
		t.Errorf("without verdicts: %+v, %v, want 6 unknown offers and no error", r, err)
	}
	i := s.of(Judged, 1)
	s.Ledger = slices.Insert(s.Ledger, i+1, s.Ledger[i])
	if _, err := s.Check(); err == nil {
		t.Error("an unknown offer that was accepted twice is not found")
	}
}

func TestSetBack(t *testing.T) {
	s := sound()
	s.Rest = false
	held := s.records(record.KindOutcome, 4)
	lost := s.Journal[s.records(record.KindOutcome, 5)].Record
	s.now++
	s.Journal = append(s.Journal, Entry{At: s.now, Kept: held + 1})
	s.writes(lost)
	s.Rest = true
	if _, err := s.Check(); err != nil {
		t.Errorf("a journal from a backup, to which the outcome is told again: %v", err)
	}
	s.Journal = s.Journal[:len(s.Journal)-1]
	if _, err := s.Check(); err == nil {
		t.Error("a journal from a backup without its last outcome is not found")
	}
}

// A verdict that is lost with the end of the journal is not to be learnt again once the
// result names an offer of a later roll. Until then it is.
func TestSetBackBeforeAVerdict(t *testing.T) {
	s := &shift{}
	s.starts()
	s.opens()
	s.comes()
	hold := s.offers(handshake.KindHold)
	s.judges(hold, handshake.HeldVerdict)
	kept := len(s.Journal)
	s.verdict(hold, handshake.HeldVerdict)
	s.leaves(handshake.Removed, record.OfferName{})
	s.comes()
	n := s.offers(handshake.KindRecipe)
	s.judges(n, handshake.Accepted)
	s.verdict(n, handshake.Accepted)
	s.leaves(handshake.Wrapped, n)
	again := []record.Record{
		record.Void{Roll: 1, Offer: hold, Evidence: "newer result"},
		s.Journal[s.records(record.KindOutcome, 1)].Record, s.Journal[s.records(record.KindOutcome, 2)].Record,
	}
	s.now++
	s.Journal = append(s.Journal, Entry{At: s.now, Kept: kept})
	for _, r := range again {
		s.writes(r)
	}
	s.Rest = true
	if _, err := s.Check(); err != nil {
		t.Errorf("a hold is void after the result names another roll: %v", err)
	}
	i := s.of(Judged, 2)
	s.Ledger = slices.Delete(s.Ledger, i, i+1)
	if _, err := s.Check(); err == nil || !strings.Contains(err.Error(), "roll 1, memory 1: no order of the offers explains it") {
		t.Errorf("a hold is void while its result stands: got %v", err)
	}
}

// A gap over a roll is too early where the outcome of the roll comes after it, but not
// where the journal that held the gap was set back.
func TestOvertakenGap(t *testing.T) {
	for want, setBack := range []bool{true, false} {
		s := sound()
		i := s.records(record.KindOutcome, 5)
		outcome := s.Journal[i].Record
		s.Journal[i].Record = record.Gap{FromRoll: 5, ToRoll: 5}
		s.Ledger = slices.Delete(s.Ledger, s.of(Acknowledged, 5), s.of(Acknowledged, 5)+1)
		if setBack {
			s.now++
			s.Journal = append(s.Journal, Entry{At: s.now, Kept: i})
		}
		s.writes(outcome)
		s.sees(Event{What: Acknowledged, Index: 5})
		if r, err := s.Check(); err != nil || r.Overtaken != want {
			t.Errorf("set back %t: %+v, %v, want %d gaps written too early", setBack, r, err, want)
		}
	}
}

func TestReadLedger(t *testing.T) {
	got, err := ReadLedger(strings.NewReader(`{"at":5,"what":"judged","boot":1,"roll_no":2,"req_id":3,"epoch":4,"nonce":5,"offer":6,"verdict":1}
{"at":6,"what":"left","boot":1,"roll_no":2,"outcome":3,"out_idx":9}`))
	want := []Event{
		{At: 5, What: Judged, Boot: 1, Roll: 2, Req: 3, Epoch: 4, Nonce: 5, Offer: 6, Verdict: handshake.Accepted},
		{At: 6, What: Left, Boot: 1, Roll: 2, Outcome: handshake.Removed, Index: 9},
	}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %+v, %v\nwant %+v", got, err, want)
	}
	if _, err := ReadLedger(strings.NewReader(`{"at":5}{"at":`)); err == nil || !strings.Contains(err.Error(), "event 2") {
		t.Errorf("got %v, want an error that names event 2", err)
	}
}
