package ship

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// look asks what the engine has of a line: how far the journal has arrived, and what
// came of other machines.
func (s *Shipper) look(ctx context.Context, conn Conn, l *line) error {
	all, err := conn.Journals(ctx, l.Name)
	if err != nil {
		return err
	}
	if err := s.seeOthers(ctx, conn, l, all); err != nil {
		return err
	}
	if l.at.known && slices.ContainsFunc(all, func(j engine.Journal) bool { return j.Genesis == l.at.name && j.Head == l.at.head }) {
		s.tell(l)
		return nil
	}
	l.at.known = false
	return s.locate(ctx, conn, l, all)
}

// locate finds which of the journals in the engine is the one here, and where it goes
// on. It registers one that is new.
func (s *Shipper) locate(ctx context.Context, conn Conn, l *line, all []engine.Journal) error {
	var was here // as it was read
	var own, anew, left *engine.Journal
	there, err := l.reads(ctx, func(h *here) (err error) {
		was = *h
		if own, err = h.match(ctx, s.set.Machine, all); err != nil {
			return err
		}
		if own != nil {
			return s.goOn(ctx, l, h, own.Genesis, own.Head)
		}
		anew, left, err = h.wanted(ctx, all)
		return err
	})
	if err != nil || !there || own != nil {
		return err
	}
	if left != nil {
		after, why, err := s.differs(ctx, conn, l, &was, left)
		if err == nil {
			s.stopAt(l, &Stop{Why: why, Journal: left.Genesis, After: after})
		}
		return unread(err)
	}
	anew.Line = l.Name
	head, err := conn.Register(ctx, *anew)
	if errors.Is(err, engine.ErrTaken) {
		s.stopAt(l, &Stop{Why: err.Error(), Journal: anew.Genesis, After: max(was.before.Seq, 1)})
		return errAnew
	}
	if err != nil {
		return err
	}
	_, err = l.reads(ctx, func(h *here) error { return s.goOn(ctx, l, h, anew.Genesis, head) })
	return err
}

// unread makes of an answer by which the engine does not let something be read what is wrong
// with one line: the others go on, on the same connection.
func unread(err error) error {
	switch {
	case errors.Is(err, engine.ErrDenied):
		return localError{fmt.Errorf("%w; have whoever keeps the database put the user into lapgate_reader too", err)}
	case errors.Is(err, engine.ErrDamaged):
		return localError{err}
	}
	return err
}

// goOn goes on with a journal behind a head that is here too.
func (s *Shipper) goOn(ctx context.Context, l *line, here *here, name journal.Hash, head journal.Head) error {
	if l.stop != nil && l.stop.Journal == name && l.stop.After == head.Seq && time.Now().Before(l.retry) {
		return nil
	}
	if l.at.name != name || l.at.head.Seq > head.Seq {
		l.at = position{}
	}
	outcomes := l.at.outcomes
	if err := here.outcomes(ctx, &outcomes, l.at.head.Seq, head.Seq); err != nil {
		return err
	}
	next, err := here.timeOf(ctx, head.Seq+1)
	if err != nil {
		return err
	}
	l.at = position{known: true, name: name, head: head, outcomes: outcomes}
	l.stop = nil
	s.change(l, func(st *State) {
		st.Stopped, st.Known, st.Record, st.Since = nil, true, head.Seq, next
		l.head = max(l.head, head.Seq, here.head.Seq)
	})
	s.tell(l)
	return nil
}

// match is the journal of this machine in the engine whose newest record is one of the
// journal here, the longest of several; nil where there is none.
func (h *here) match(ctx context.Context, machine string, all []engine.Journal) (own *engine.Journal, err error) {
	for i := range all {
		j := &all[i]
		if j.Machine != machine || own != nil && j.Head.Seq <= own.Head.Seq {
			continue
		}
		if j.Head.Seq == 0 {
			if j.Genesis == h.name && h.before.Seq == 0 {
				own = j
			}
			continue
		}
		hash, ok, err := h.hashAt(ctx, j.Head.Seq)
		if err != nil {
			return nil, err
		}
		if ok && hash == j.Head.Hash {
			own = j
		}
	}
	return own, nil
}

// wanted is the journal to register, or the one in the engine that stands against it.
func (h *here) wanted(ctx context.Context, all []engine.Journal) (anew, left *engine.Journal, err error) {
	anew = &engine.Journal{Genesis: h.name, Kept: h.before}
	if left = find(all, anew.Genesis); left == nil {
		return anew, nil, nil
	}
	word, ok, err := h.newestWord(ctx)
	if err != nil || !ok {
		return nil, left, err
	}
	// A person had it registered anew.
	kept := journal.Head{Seq: word.After}
	first, there, err := h.hashAt(ctx, word.After+1)
	if err == nil && there {
		kept.Hash, there, err = h.hashAt(ctx, word.After)
	}
	if err != nil || !there {
		return nil, left, err
	}
	if left = find(all, first); left == nil {
		return &engine.Journal{Genesis: first, Kept: kept}, nil, nil
	}
	return nil, left, nil
}

func find(all []engine.Journal, name journal.Hash) *engine.Journal {
	for i := range all {
		if all[i].Genesis == name {
			return &all[i]
		}
	}
	return nil
}

// differs tells how a journal in the engine stands against the one that was read here, and
// the newest record that both have.
func (s *Shipper) differs(ctx context.Context, conn Conn, l *line, was *here, j *engine.Journal) (after uint64, why string, err error) {
	after, err = common(ctx, conn, l, was, j)
	after = max(after, 1)
	switch {
	case j.Machine != s.set.Machine:
		why = fmt.Sprintf("it has this journal as that of machine %s", j.Machine)
	case j.Head.Seq < was.before.Seq:
		why = fmt.Sprintf("it has records up to %d, and here those up to %d are gone", j.Head.Seq, was.before.Seq)
	case after == was.head.Seq:
		why = fmt.Sprintf("it has records up to %d, and the journal here ends with %d: it was put back from a backup, or lost its end", j.Head.Seq, was.head.Seq)
	default:
		why = fmt.Sprintf("its records differ from those here from number %d on: journal or engine was put back from a backup", after+1)
	}
	return after, why, err
}

// common is the newest record that is in the engine as it is here. What the engine does
// not keep any more was the same.
func common(ctx context.Context, conn Conn, l *line, was *here, j *engine.Journal) (uint64, error) {
	same, differs := was.before.Seq, min(was.head.Seq, j.Head.Seq)+1
	for same+1 < differs {
		middle := same + (differs-same)/2
		var mine journal.Hash
		var ok bool
		if _, err := l.reads(ctx, func(h *here) (err error) {
			mine, ok, err = h.hashAt(ctx, middle)
			return err
		}); err != nil || !ok {
			return same, err
		}
		theirs, kept, err := conn.HashAt(ctx, j.Genesis, middle)
		if err != nil {
			return same, err
		}
		if kept && theirs != mine {
			differs = middle
		} else {
			same = middle
		}
	}
	return same, nil
}

// others is what the engine has of the other machines of a line.
type others struct {
	seen   map[journal.Hash]ofJournal
	newest *cycle.OfOther // nil for nothing
}

// ofJournal is what one journal told when it was looked at.
type ofJournal struct {
	head       journal.Head
	upTo, boot uint32 // of its newest outcome
}

// seeOthers looks at the journals of other machines that have changed. What the engine
// forgot does not count any more, until it is there again.
func (s *Shipper) seeOthers(ctx context.Context, conn Conn, l *line, all []engine.Journal) error {
	seen := map[journal.Hash]ofJournal{}
	var newest *cycle.OfOther
	var there []engine.Journal
	changed := false
	for _, j := range all {
		if j.Machine == s.set.Machine || j.Head.Seq == 0 {
			continue
		}
		there = append(there, j)
		of, known := l.others.seen[j.Genesis]
		if !known || of.head != j.Head {
			e, ok, err := conn.Newest(ctx, j.Genesis, record.KindOutcome)
			if err = unread(err); err != nil && !errors.As(err, new(localError)) {
				return err // else its outcomes are not known, and the own journal arrives all the same
			}
			of, changed = ofJournal{head: j.Head}, true
			if o, is := e.Record.(record.Outcome); ok && is {
				of.upTo, of.boot = o.Outcome.Index, o.Outcome.Boot
			}
		}
		seen[j.Genesis] = of
		if newest == nil {
			newest = &cycle.OfOther{}
		}
		newest.Head = record.JournalHead{Machine: j.Machine, Journal: j.Genesis.String(), Seq: j.Head.Seq, Hash: j.Head.Hash.String()}
		if of.boot > newest.Boot || of.boot == newest.Boot && of.upTo > newest.UpTo {
			newest.UpTo, newest.Boot = of.upTo, of.boot
		}
	}
	if changed || len(seen) != len(l.others.seen) {
		l.others = others{seen, newest}
		s.change(l, func(st *State) { st.Others = there })
	}
	return nil
}
