package replay

import (
	"runtime"
	"sync"

	"lapgate/gateway/record"
	"lapgate/recipe"
)

// runBatch is how many cases are decided at a time.
const runBatch = 2048

// Run replays cases through a configuration, many at a time, and gives their
// differences out in the order of the cases.
type Run struct {
	now, before *recipe.Line // before is nil where the record is the old side
	each        func(*Difference) error
	tally       *Tally
	comparer    *Comparer
	batch       []trial
}

// trial is one case as each configuration sees it: the codes of a list of
// rolls are the configuration's own.
type trial struct {
	now, before *Case
	skip        bool // there is nothing to compare with
	unknown     bool // the record does not tell what would decide
	diff        Difference
	err         error
}

// NewRun begins a run through the configuration now, compared with what was
// recorded or, where it is not nil, with the configuration before. each gets
// every difference that is one.
func NewRun(now, before *recipe.Line, each func(*Difference) error) *Run {
	return &Run{now: now, before: before, each: each, tally: NewTally(), comparer: NewComparer()}
}

// Roll takes the requests of a recorded roll.
func (r *Run) Roll(roll *record.Roll) error {
	cases, err := Cases(roll)
	if err != nil {
		return err
	}
	for _, c := range cases {
		r.tally.See(c)
		if err := r.put(trial{now: c, before: c, skip: r.before == nil && (c.Recorded == nil || c.Override)}); err != nil {
			return err
		}
	}
	return nil
}

// Pair takes one case as each of the two configurations sees it.
func (r *Run) Pair(now, before *Case) error {
	r.tally.See(now)
	return r.put(trial{now: now, before: before})
}

func (r *Run) put(t trial) error {
	r.batch = append(r.batch, t)
	if len(r.batch) < runBatch {
		return nil
	}
	return r.flush()
}

// End gives out what is left and returns what was added up.
func (r *Run) End() (Summary, error) {
	err := r.flush()
	return r.tally.Summary(), err
}

// flush decides the cases at hand in parallel and adds them up in their order.
func (r *Run) flush() error {
	var group sync.WaitGroup
	workers := min(runtime.GOMAXPROCS(0), len(r.batch))
	for w := range workers {
		group.Go(func() {
			for i := w; i < len(r.batch); i += workers {
				if t := &r.batch[i]; !t.skip {
					t.err = t.decide(r.now, r.before, r.comparer)
				}
			}
		})
	}
	group.Wait()
	for i := range r.batch {
		if err := r.add(&r.batch[i]); err != nil {
			return err
		}
	}
	clear(r.batch)
	r.batch = r.batch[:0]
	return nil
}

func (r *Run) add(t *trial) error {
	switch {
	case t.err != nil:
		return t.err
	case t.skip:
		r.tally.Skip(t.now)
		return nil
	case t.unknown:
		r.tally.SkipUnknown()
		return nil
	}
	r.tally.Add(&t.diff)
	if !t.diff.Any() {
		return nil
	}
	return r.each(&t.diff)
}

// decide decides by the configuration now and, where that is not nil, by the
// one before, and compares.
func (t *trial) decide(now, before *recipe.Line, m *Comparer) error {
	after, known, err := Decide(now, t.now)
	if err != nil {
		return err
	}
	old := t.before.Recorded
	if before != nil {
		var also bool
		if old, also, err = Decide(before, t.before); err != nil {
			return err
		}
		known = known && also
	}
	if t.unknown = !known; known {
		t.diff = m.Compare(t.now, old, after)
	}
	return nil
}
