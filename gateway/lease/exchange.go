package lease

import (
	"context"
	"slices"
	"sync"
	"time"

	"lapgate/gateway/engine"
)

// exchange is what persons did on one machine and the other must do too. It goes through
// the engine, so that no port is opened for it.
type exchange struct {
	taken map[uint64]bool // acts of the other that were handed to the daemon, and not answered

	mu      sync.Mutex
	out     []*Posted
	answers []engine.Answer
}

// Posted is an act on its way to the other machine.
type Posted struct {
	act      engine.Act
	at       time.Time     // when it was done
	number   uint64        // 0 where the engine is not known to have it
	tried    bool          // the engine may have it
	withdraw bool          // it is not to be done any more
	done     chan struct{} // closed once it was answered
	answer   engine.Answer
}

// Answered is closed when the act has its answer.
func (p *Posted) Answered() <-chan struct{} { return p.done }

// Answer is what came of the act, once it was answered.
func (p *Posted) Answer() engine.Answer { return p.answer }

// Post has an act, done at a time, done on the other machine as soon as it can be told,
// whoever waits for that. Acts are done there in the order in which they were posted. Those
// on the way that the new one replaces are withdrawn; nil replaces none.
func (k *Keeper) Post(a engine.Act, at time.Time, replaces func(*engine.Act) bool) *Posted {
	a.Machine = k.s.Machine
	p := &Posted{act: a, at: at, done: make(chan struct{})}
	x := &k.acts
	x.mu.Lock()
	for _, o := range slices.Clone(x.out) {
		if replaces != nil && replaces(&o.act) {
			x.withdraw(o, k.s.Machine)
		}
	}
	x.out = append(x.out, p)
	x.mu.Unlock()
	k.Kick()
	return p
}

// Owed are the acts on a line of which the other machine was not told yet, oldest first.
func (k *Keeper) Owed(line string) (out []engine.Act) {
	k.acts.mu.Lock()
	defer k.acts.mu.Unlock()
	for _, p := range k.acts.out {
		if p.act.Line == line {
			out = append(out, p.act)
		}
	}
	return out
}

// Owes reports whether there are any.
func (k *Keeper) Owes(line string) bool { return len(k.Owed(line)) > 0 }

// Withdraw takes an act back that the other machine has not done. The answer tells what
// became of it: empty where the other was first, Withdrawn else.
func (k *Keeper) Withdraw(p *Posted) {
	k.acts.mu.Lock()
	k.acts.withdraw(p, k.s.Machine)
	k.acts.mu.Unlock()
	k.Kick()
}

// Withdrawn is the answer to an act that was taken back in time.
const Withdrawn = "withdrawn"

// withdraw takes an act back, at once where the engine cannot have it. The lock is held.
func (x *exchange) withdraw(p *Posted, machine string) {
	p.withdraw = true
	if !p.tried {
		x.end(p, engine.Answer{Key: p.act.Key, Machine: machine, Text: Withdrawn})
	}
}

// end takes the answer to an own act. The lock is held.
func (x *exchange) end(p *Posted, a engine.Answer) {
	i := slices.Index(x.out, p)
	if i < 0 {
		return // it was answered before
	}
	x.out = slices.Delete(x.out, i, i+1)
	p.answer = a
	close(p.done)
}

// Answer tells the other machine what came of its act: nothing where it is done.
func (k *Keeper) Answer(number uint64, text string) {
	k.acts.mu.Lock()
	k.acts.answers = append(k.acts.answers, engine.Answer{Number: number, Machine: k.s.Machine, Text: text})
	k.acts.mu.Unlock()
	k.Kick()
}

// exchange posts acts, takes answers and takes acts of the other machine.
func (k *Keeper) exchange(ctx context.Context) error {
	if err := k.tell(ctx); err != nil {
		return err
	}
	waiting, err := k.store.Waiting(ctx, k.s.Machine, k.s.Lines)
	if err != nil {
		return err
	}
	k.hand(waiting)
	return nil
}

// tell answers acts of the other machine and posts own ones.
func (k *Keeper) tell(ctx context.Context) error {
	k.acts.mu.Lock()
	answers := slices.Clone(k.acts.answers)
	k.acts.mu.Unlock()
	for _, a := range answers {
		counts, err := k.store.Answer(ctx, a.Number, a.Machine, a.Text)
		if err != nil {
			return err
		}
		if !counts {
			k.s.Daemon.Withdrawn(a.Number)
		}
		k.acts.answered(a)
	}
	return k.post(ctx)
}

// hand hands acts of the other machine to the daemon, those on one line in their order.
func (k *Keeper) hand(waiting []engine.Act) {
	full := map[string]bool{} // lines that have no room
	for _, a := range waiting {
		if k.acts.taken[a.Number] || full[a.Line] {
			continue
		}
		if k.s.Daemon.Act(a) {
			k.acts.taken[a.Number] = true
		} else {
			full[a.Line] = true
		}
	}
}

// answered forgets an act of the other machine that was answered.
func (x *exchange) answered(a engine.Answer) {
	delete(x.taken, a.Number)
	x.mu.Lock()
	defer x.mu.Unlock()
	if i := slices.Index(x.answers, a); i >= 0 {
		x.answers = slices.Delete(x.answers, i, i+1)
	}
}

// post brings own acts to the engine, and fetches what was answered. An act that the engine
// has forgotten is brought there again.
func (k *Keeper) post(ctx context.Context) error {
	x := &k.acts
	x.mu.Lock()
	out := slices.Clone(x.out)
	x.mu.Unlock()
	var keys []string
	for _, p := range out {
		if err := k.bring(ctx, p); err != nil {
			return err
		}
		keys = append(keys, p.act.Key)
	}
	if len(keys) == 0 {
		return nil
	}
	answers, err := k.store.Answers(ctx, keys)
	if err != nil {
		return err
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, p := range out {
		i := slices.IndexFunc(answers, func(a engine.Answer) bool { return a.Key == p.act.Key })
		switch {
		case i < 0:
			p.number = 0
		case answers[i].Machine != "":
			x.end(p, answers[i])
		}
	}
	return nil
}

// bring brings one act to the engine, unless that has it, or has it taken back there.
func (k *Keeper) bring(ctx context.Context, p *Posted) error {
	k.acts.mu.Lock()
	ended := !slices.Contains(k.acts.out, p)
	withdraw := p.withdraw
	p.tried = p.tried || !ended
	k.acts.mu.Unlock()
	if ended {
		return nil
	}
	if p.number == 0 {
		a := p.act
		a.Age = max(0, time.Since(p.at))
		var err error
		if p.number, err = k.store.Post(ctx, a); err != nil || p.number == 0 {
			return err
		}
	}
	if withdraw {
		_, err := k.store.Answer(ctx, p.number, k.s.Machine, Withdrawn)
		return err
	}
	return nil
}
