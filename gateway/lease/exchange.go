package lease

import (
	"context"
	"slices"
	"sync"

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
	number   uint64 // 0 before the engine has it
	withdraw bool   // it is not to be done any more
	done     chan engine.Answer
}

// Answered gives the answer of the other machine, when it comes.
func (p *Posted) Answered() <-chan engine.Answer { return p.done }

// Post has an act done on the other machine as soon as it can be told, whoever waits for
// that. Acts are done there in the order in which they were posted.
func (k *Keeper) Post(a engine.Act) *Posted {
	a.Machine = k.s.Machine
	p := &Posted{act: a, done: make(chan engine.Answer, 1)}
	k.acts.mu.Lock()
	k.acts.out = append(k.acts.out, p)
	k.acts.mu.Unlock()
	k.Kick()
	return p
}

// Owes reports whether the other machine was not told yet of an act on a line.
func (k *Keeper) Owes(line string) bool {
	k.acts.mu.Lock()
	defer k.acts.mu.Unlock()
	return slices.ContainsFunc(k.acts.out, func(p *Posted) bool { return p.act.Line == line })
}

// Withdraw takes an act back that the other machine has not done. The answer tells what
// became of it: empty where the other was first, withdrawn else.
func (k *Keeper) Withdraw(p *Posted) {
	k.acts.mu.Lock()
	p.withdraw = true
	k.acts.mu.Unlock()
	k.Kick()
}

// Withdrawn is the answer to an act that was taken back in time.
const Withdrawn = "withdrawn"

// Answer tells the other machine what came of its act: nothing where it is done.
func (k *Keeper) Answer(number uint64, text string) {
	k.acts.mu.Lock()
	k.acts.answers = append(k.acts.answers, engine.Answer{Number: number, Machine: k.s.Machine, Text: text})
	k.acts.mu.Unlock()
	k.Kick()
}

// exchange posts acts, takes answers and takes acts of the other machine.
func (k *Keeper) exchange(ctx context.Context) error {
	k.acts.mu.Lock()
	out, answers := slices.Clone(k.acts.out), slices.Clone(k.acts.answers)
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
	if err := k.post(ctx, out); err != nil {
		return err
	}
	waiting, err := k.store.Waiting(ctx, k.s.Machine, k.s.Lines)
	if err != nil {
		return err
	}
	for _, a := range waiting {
		if !k.acts.taken[a.Number] {
			k.acts.taken[a.Number] = k.s.Daemon.Act(a)
		}
	}
	return nil
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

// post brings own acts to the engine, and fetches what was answered.
func (k *Keeper) post(ctx context.Context, out []*Posted) error {
	var numbers []uint64
	for _, p := range out {
		k.acts.mu.Lock()
		withdraw := p.withdraw
		k.acts.mu.Unlock()
		switch {
		case p.number == 0 && withdraw:
			k.acts.end(p, engine.Answer{Machine: k.s.Machine, Text: Withdrawn})
			continue
		case p.number == 0:
			n, err := k.store.Post(ctx, p.act)
			if err != nil {
				return err
			}
			p.number = n
		case withdraw:
			if _, err := k.store.Answer(ctx, p.number, k.s.Machine, Withdrawn); err != nil {
				return err
			}
		}
		numbers = append(numbers, p.number)
	}
	if len(numbers) == 0 {
		return nil
	}
	answers, err := k.store.Answers(ctx, numbers)
	if err != nil {
		return err
	}
	for _, a := range answers {
		for _, p := range out {
			if p.number == a.Number {
				k.acts.end(p, a)
			}
		}
	}
	return nil
}

// end takes an answer to an own act.
func (x *exchange) end(p *Posted, a engine.Answer) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.out = slices.DeleteFunc(x.out, func(o *Posted) bool { return o == p })
	p.done <- a
}
