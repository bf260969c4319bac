package ship

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"

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
func (s *Shipper) locate(ctx context.Context, conn Conn, l *line, all []engine.Journal) (err error) {
	l.Reading.Lock()
	defer l.Reading.Unlock()
	here, err := openHere(ctx, l.Journal)
	if err != nil || here == nil {
		return err
	}
	defer func() { err = errors.Join(err, here.close()) }()
	own, err := here.match(ctx, s.set.Machine, all)
	if err != nil {
		return err
	}
	if own != nil {
		return s.goOn(ctx, l, here, own.Genesis, own.Head)
	}
	anew, left, err := here.wanted(ctx, all)
	if err != nil {
		return err
	}
	if left != nil {
		after, why, err := here.differs(ctx, conn, s.set.Machine, left)
		if err != nil {
			return err
		}
		s.stopAt(l, &Stop{Why: why, Journal: left.Genesis, After: after})
		return nil
	}
	anew.Line = l.Name
	head, err := conn.Register(ctx, *anew)
	if errors.Is(err, engine.ErrTaken) {
		s.stopAt(l, &Stop{Why: err.Error(), Journal: anew.Genesis, After: max(here.before.Seq, 1)})
		return errAnew
	}
	if err != nil {
		return err
	}
	return s.goOn(ctx, l, here, anew.Genesis, head)
}

// goOn goes on with a journal behind a head that is here too.
func (s *Shipper) goOn(ctx context.Context, l *line, here *here, name journal.Hash, head journal.Head) error {
	if l.stop != nil && l.stop.Journal == name && l.stop.After == head.Seq && here.now.Before(l.retry) {
		return nil
	}
	if l.at.name != name || l.at.head.Seq > head.Seq {
		l.at = position{}
	}
	if err := here.outcomes(ctx, &l.at.outcomes, l.at.head.Seq, head.Seq); err != nil {
		return err
	}
	l.at.known, l.at.name, l.at.head = true, name, head
	l.stop = nil
	next, err := here.timeOf(ctx, head.Seq+1)
	if err != nil {
		return err
	}
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

// differs tells how a journal in the engine stands against the one here, and the newest
// record that both have.
func (h *here) differs(ctx context.Context, conn Conn, machine string, j *engine.Journal) (after uint64, why string, err error) {
	after, err = h.common(ctx, conn, j)
	after = max(after, 1)
	switch {
	case j.Machine != machine:
		why = fmt.Sprintf("it has this journal as that of machine %s", j.Machine)
	case j.Head.Seq < h.before.Seq:
		why = fmt.Sprintf("it has records up to %d, and here those up to %d are gone", j.Head.Seq, h.before.Seq)
	case after == h.head.Seq:
		why = fmt.Sprintf("it has records up to %d, and the journal here ends with %d: it was put back from a backup, or lost its end", j.Head.Seq, h.head.Seq)
	default:
		why = fmt.Sprintf("its records differ from those here from number %d on: journal or engine was put back from a backup", after+1)
	}
	return after, why, err
}

// common is the newest record that is in the engine as it is here. What the engine does
// not keep any more was the same.
func (h *here) common(ctx context.Context, conn Conn, j *engine.Journal) (uint64, error) {
	same, differs := h.before.Seq, min(h.head.Seq, j.Head.Seq)+1
	for same+1 < differs {
		middle := same + (differs-same)/2
		mine, ok, err := h.hashAt(ctx, middle)
		if err != nil || !ok {
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
	heads  map[journal.Hash]journal.Head // when they were looked at
	newest *cycle.OfOther                // nil for nothing
}

// seeOthers looks at the journals of other machines that have grown.
func (s *Shipper) seeOthers(ctx context.Context, conn Conn, l *line, all []engine.Journal) error {
	var there []engine.Journal
	var newest *cycle.OfOther
	if l.others.newest != nil {
		known := *l.others.newest
		newest = &known
	}
	grown := false
	for _, j := range all {
		if j.Machine == s.set.Machine || j.Head.Seq == 0 {
			continue
		}
		there = append(there, j)
		if l.others.heads[j.Genesis] == j.Head {
			continue
		}
		e, ok, err := conn.Newest(ctx, j.Genesis, record.KindOutcome)
		if err != nil {
			return err
		}
		if newest == nil {
			newest = &cycle.OfOther{}
		}
		newest.Head = record.JournalHead{Machine: j.Machine, Journal: j.Genesis.String(), Seq: j.Head.Seq, Hash: j.Head.Hash.String()}
		if o, is := e.Record.(record.Outcome); ok && is && (o.Outcome.Boot > newest.Boot || o.Outcome.Boot == newest.Boot && o.Outcome.Index > newest.UpTo) {
			newest.UpTo, newest.Boot = o.Outcome.Index, o.Outcome.Boot
		}
		if l.others.heads == nil {
			l.others.heads = map[journal.Hash]journal.Head{}
		}
		l.others.heads[j.Genesis] = j.Head
		grown = true
	}
	if grown {
		l.others.newest = newest
		s.change(l, func(st *State) { st.Others = there })
	}
	return nil
}

// openHere opens the journal of a line; nil where there is none yet.
func openHere(ctx context.Context, path string) (h *here, err error) {
	r, err := journal.OpenWhole(ctx, path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, localError{err}
	}
	h = newHere(r)
	if h.name, h.before, err = r.Name(ctx); err == nil {
		h.head, err = r.Head(ctx)
	}
	if err != nil || h.head.Seq == 0 {
		if err = errors.Join(err, r.Close()); err != nil {
			err = localError{err}
		}
		return nil, err
	}
	return h, nil
}

// newestWord is the newest record by which a person had the journal registered anew; ok
// is false for none.
func (h *here) newestWord(ctx context.Context) (word record.Register, ok bool, err error) {
	found, err := h.r.List(ctx, journal.Filter{Kind: record.KindRegister, Newest: true, Limit: 1})
	if err != nil {
		return word, false, localError{err}
	}
	for _, f := range found {
		word, ok = f.Record.(record.Register)
	}
	return word, ok, nil
}
