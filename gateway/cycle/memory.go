package cycle

import (
	"fmt"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// memory is what the journal holds of the line, as far as the machine decides
// on it. It changes by records alone.
type memory struct {
	epoch  uint32 // newest ever taken
	floor  uint32 // the controller is known to have had one at least as high
	boot   uint32 // newest of the controller
	boots  map[uint32]bool
	banned map[uint32]bool // seen before the controller lost its memory
	era    uint32          // +1 for each loss of the controller's memory
	lostAt uint32          // boot under which the newest loss was found

	journaled uint32 // newest outcome index
	covered   uint32 // every roll number up to it is a record or in a gap
	finished  uint32 // newest roll with an outcome or an accepted recipe

	open     *offer // not closed
	rejected *rejection
	request  record.Request  // newest
	shadow   handshake.Token // newest
	verdict  *record.Verdict
	holdAll  bool
	hash     uint32 // configuration newest in the journal
	hasHash  bool

	accounts [6]account // of the slots
	accepted *offer     // newest recipe that was accepted
}

// offer is an offer that is not closed.
type offer struct {
	name      record.OfferName
	token     handshake.Token
	roll      uint32
	kind      handshake.Kind
	origin    handshake.Origin
	committed bool
	payload   []uint16
	crc       uint32
	hash      uint32 // configuration that it was computed with
	era       uint32
	outcome   *handshake.Outcome // of its roll
}

// rejection is the newest verdict "rejected" on a request.
type rejection struct {
	token  handshake.Token
	reason uint16
}

func newMemory() memory {
	return memory{boots: map[uint32]bool{}, banned: map[uint32]bool{}}
}

// apply takes one record. The errors are contradictions that a sound journal
// does not hold.
func (m *memory) apply(r record.Record) error {
	switch r := r.(type) {
	case record.Session:
		if r.Session.Epoch <= m.epoch {
			return fmt.Errorf("SESSION takes epoch %d, but epoch %d was taken before", r.Session.Epoch, m.epoch)
		}
		m.epoch = r.Session.Epoch
		m.floor = max(m.floor, r.Floor)
		m.sawBoot(r.Boot)
	case record.Request:
		m.request = r
		m.books(&r)
		m.sawBoot(r.Token.Boot)
		m.covered = max(m.covered, r.Roll)
	case record.Intent:
		if m.open != nil {
			return fmt.Errorf("INTENT of offer %s stands before offer %s was closed", r.Offer, m.open.name)
		}
		m.floor = max(m.floor, r.Offer.Session.Epoch)
		m.open = &offer{name: r.Offer, token: r.Token, roll: r.Roll, kind: r.Form, origin: r.Origin,
			payload: r.Payload, crc: handshake.PayloadCRC(r.Payload), hash: r.ConfigHash, era: m.era}
	case record.Commit:
		if err := m.isOpen(r.Kind(), r.Offer); err != nil {
			return err
		}
		m.open.committed = true
	case record.Verdict:
		if err := m.isOpen(r.Kind(), r.Offer); err != nil {
			return err
		}
		m.verdict = &r
		if r.Verdict == handshake.Accepted && m.open.era == m.era {
			m.finished = max(m.finished, r.Roll)
			m.accepted = m.open
		}
		m.rejected = nil
		if r.Verdict == handshake.Rejected {
			m.rejected = &rejection{m.open.token, r.Reason}
		}
		m.open = nil
	case record.Void:
		if err := m.isOpen(r.Kind(), r.Offer); err != nil {
			return err
		}
		m.open = nil
	case record.Outcome:
		o := r.Outcome
		m.journaled = max(m.journaled, o.Index)
		m.covered = max(m.covered, o.RollNo)
		m.finished = max(m.finished, o.RollNo)
		m.sawBoot(o.Boot)
		m.draw(&o)
		if m.open != nil && m.open.roll == o.RollNo && m.open.era == m.era {
			m.open.outcome = &o
		}
	case record.Gap:
		return m.gap(r)
	case record.Hold:
		m.holdAll = r.On
	case record.Config:
		m.hash, m.hasHash = r.Hash, true
	case record.Shadow:
		m.shadow = r.Token
	case record.Override, record.Mode:
	case nil:
		return fmt.Errorf("no record")
	default:
		return fmt.Errorf("record of kind %s is not known", r.Kind())
	}
	return nil
}

func (m *memory) gap(r record.Gap) error {
	m.accounts = [6]account{} // a roll that nobody knows of may have drawn
	if r.Closed != nil {
		if err := m.isOpen(r.Kind(), *r.Closed); err != nil {
			return err
		}
		old := m.open.era != m.era
		m.open = nil
		if old {
			return nil // the roll was numbered before the controller lost its memory
		}
	}
	m.journaled = max(m.journaled, r.ToIndex)
	m.covered = max(m.covered, r.ToRoll)
	if r.Boot != 0 {
		// The controller counts from the start again. Its boot numbers of
		// before must not come back: a token could be named twice.
		m.journaled, m.covered, m.finished = 0, 0, 0
		m.rejected = nil
		m.floor = 0
		m.lostAt, m.boot = r.Boot, r.Boot
		m.era++
		for b := range m.boots {
			m.banned[b] = true
		}
	}
	return nil
}

func (m *memory) isOpen(k record.Kind, n record.OfferName) error {
	if m.open == nil {
		return fmt.Errorf("%s names offer %s, but no offer is open", k, n)
	}
	if m.open.name != n {
		return fmt.Errorf("%s names offer %s, but offer %s is open", k, n, m.open.name)
	}
	return nil
}

func (m *memory) sawBoot(b uint32) {
	if b != 0 {
		m.boots[b] = true
		m.boot = max(m.boot, b)
	}
}
