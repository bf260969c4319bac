package lease

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
)

// Daemon is whom a Keeper keeps leases for. No method may wait.
type Daemon interface {
	// Stands tells what may be done about the lease of a line now. Online is left out.
	Stands(line string) Tick
	// Lease tells the machine of a line.
	Lease(line string, e cycle.Lease)
	// Happened tells of what people should know.
	Happened(line string, h Happening)
	// About is what the other machine is told of this one.
	About() string
	// Act takes an act of the other machine, which is answered by Keeper.Answer once it is
	// done. It reports false when there is no room for it now.
	Act(a engine.Act) bool
	// Withdrawn tells that an act was taken back before it was answered.
	Withdrawn(number uint64)
}

// Happening is what happened to the lease of a line.
type Happening struct {
	From, To State
	Row      engine.Lease // as it was seen before; of a lease that was lost, as it is now
	LetGo    bool         // the lease, of this daemon's own accord
	Number   uint32       // of the lease held now
	Forgot   bool         // the engine knew a lower number than it had given out
}

// Settings are what a Keeper is made of.
type Settings struct {
	Machine  string // name of this one in the pair
	Instance string // of this start of the daemon
	Lines    []string
	TTL      time.Duration // a lease that stood still so long is taken over
	Renew    time.Duration
	Look     time.Duration
	Limit    time.Duration // for one answer of the engine
	Connect  func(ctx context.Context) (Store, error)
	Daemon   Daemon
	// Wall is the clock of the machine, for people alone: it may be stepped, and decides
	// nothing. Nil for the operating system's.
	Wall func() time.Time
}

// The times of what machines say of themselves.
const (
	meetEvery = time.Second
	// GoneAfter is how long a machine must say nothing, with the engine answering, before it
	// counts as gone.
	GoneAfter = 5 * time.Second
)

// Keeper keeps the leases of all lines of a daemon, on one connection that is its own.
type Keeper struct {
	s     Settings
	lines []*kept
	began time.Time
	store Store // nil without a connection
	kick  chan struct{}
	asks  chan func(context.Context)
	ended chan struct{}

	met    time.Duration // when the members were last read
	others []*seenMember
	acts   exchange

	mu    sync.Mutex
	roles []Role
	pair  Pair
}

// kept is one line of a keeper.
type kept struct {
	*Line
	name string
	was  State
}

type seenMember struct {
	engine.Member
	at time.Duration // when its beat was seen to move
}

// Role is what a line is in the pair, for people.
type Role struct {
	Line   string
	State  State
	Since  time.Time
	Number uint32       // of the lease held, or held last
	Row    engine.Lease // as it was read last
}

// Pair is what is known of engine and machines, for people.
type Pair struct {
	Machine string // this one
	// Silent is why the engine does not answer, empty where it does; Since when.
	Silent string
	Since  time.Time
	Heard  bool // all that waited for this machine was read, once
	Others []Other
}

// Other is another machine of the pair.
type Other struct {
	engine.Member
	Present bool      // its beat moved lately, by an engine that answered
	At      time.Time // when its beat was seen to move last
}

// NewKeeper prepares a keeper; nothing is connected yet.
func NewKeeper(s Settings) *Keeper {
	if s.Wall == nil {
		s.Wall = time.Now
	}
	k := &Keeper{
		s: s, began: time.Now(), kick: make(chan struct{}, 1), asks: make(chan func(context.Context)), ended: make(chan struct{}),
		roles: make([]Role, len(s.Lines)), pair: Pair{Machine: s.Machine, Silent: "it was not asked yet", Since: s.Wall()},
	}
	for i, name := range s.Lines {
		k.lines = append(k.lines, &kept{Line: NewLine(Config{Line: name, Instance: s.Instance, TTL: s.TTL, Renew: s.Renew, Look: s.Look}), name: name})
		k.roles[i] = Role{Line: name, Since: s.Wall()}
	}
	k.acts.taken = map[uint64]bool{}
	return k
}

// Run keeps the leases until ctx ends, and then lets go what is held, so that the other
// machine takes it at once.
func (k *Keeper) Run(ctx context.Context) {
	defer close(k.ended)
	ticker := time.NewTicker(k.s.Look)
	defer ticker.Stop()
	run := context.WithoutCancel(ctx) // what is asked is waited for: it may be what lets a lease go
	for {
		k.turn(run)
		select {
		case <-ctx.Done():
			k.handOver(run)
			return
		case f := <-k.asks:
			f(run)
		case <-k.kick:
		case <-ticker.C:
		}
	}
}

// Kick has the keeper look at its lines now.
func (k *Keeper) Kick() {
	select {
	case k.kick <- struct{}{}:
	default:
	}
}

// ErrEngine says that the engine cannot be asked.
var ErrEngine = errors.New("the engine does not answer")

// Do has f done on the connection of the keeper. An error of f's ends the connection.
func (k *Keeper) Do(ctx context.Context, f func(context.Context, Store) error) error {
	return k.ask(ctx, func(run context.Context) (err error) {
		if k.store == nil {
			return ErrEngine
		}
		k.call(run, func(limited context.Context) error { err = f(limited, k.store); return err })
		return err
	})
}

// ErrAnswers says that a line is not moved by hand, since the engine answers.
var ErrAnswers = errors.New("the engine answers, and decides who acts")

// Move has this daemon act on a line by a person's word, while the engine is away.
func (k *Keeper) Move(ctx context.Context, line string) error {
	return k.ask(ctx, func(context.Context) error {
		if k.store != nil {
			return ErrAnswers
		}
		for _, l := range k.lines {
			if l.name == line {
				k.step(l, MovedByHand{}, nil)
			}
		}
		return nil
	})
}

// ask runs f in the keeper's own goroutine.
func (k *Keeper) ask(ctx context.Context, f func(context.Context) error) error {
	answer := make(chan error, 1)
	select {
	case k.asks <- func(run context.Context) { answer <- f(run) }:
		return <-answer
	case <-k.ended:
		return ErrEngine
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Role is what a line is in the pair.
func (k *Keeper) Role(line string) Role {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, r := range k.roles {
		if r.Line == line {
			return r
		}
	}
	return Role{Line: line}
}

// Pair is what is known of the engine and the other machine.
func (k *Keeper) Pair() Pair {
	k.mu.Lock()
	defer k.mu.Unlock()
	p := k.pair
	p.Others = slices.Clone(p.Others)
	return p
}

// now is the steady clock by which leases are judged.
func (k *Keeper) now() time.Duration { return time.Since(k.began) }

// wall is a moment of the steady clock, for people.
func (k *Keeper) wall(at time.Duration) time.Time { return k.s.Wall().Add(at - k.now()) }

// turn does all that is due. Acts come before leases: a line that another machine
// disarmed is not taken over first.
func (k *Keeper) turn(ctx context.Context) {
	if k.store == nil {
		k.connect(ctx)
	}
	if k.store != nil && k.call(ctx, k.exchange) {
		k.mu.Lock()
		k.pair.Heard = true
		k.mu.Unlock()
	}
	var work []order
	for _, l := range k.lines {
		t := k.s.Daemon.Stands(l.name)
		t.Online = k.store != nil
		k.step(l, t, &work)
	}
	for len(work) > 0 && k.store != nil {
		work = k.perform(ctx, work)
	}
	if k.store != nil && (k.met == 0 || k.now()-k.met >= meetEvery) {
		k.call(ctx, k.meet)
	}
	k.publish()
}

// call asks the engine something. An error ends the connection.
func (k *Keeper) call(ctx context.Context, f func(context.Context) error) bool {
	limited, cancel := context.WithTimeout(ctx, k.s.Limit)
	defer cancel()
	err := f(limited)
	if err != nil {
		k.drop(err)
	}
	return err == nil
}

func (k *Keeper) connect(ctx context.Context) {
	limited, cancel := context.WithTimeout(ctx, k.s.Limit)
	defer cancel()
	store, err := k.s.Connect(limited)
	if err != nil {
		k.drop(err)
		return
	}
	k.store, k.met = store, 0
	for _, o := range k.others { // what they did meanwhile is not known
		o.at = k.now()
	}
	k.mu.Lock()
	k.pair.Silent, k.pair.Since = "", k.s.Wall()
	k.mu.Unlock()
}

// drop ends a connection that failed.
func (k *Keeper) drop(err error) {
	if k.store != nil {
		k.store.Close()
		k.store = nil
	}
	for _, l := range k.lines {
		k.step(l, Silent{}, nil)
	}
	k.mu.Lock()
	if k.pair.Silent == "" {
		k.pair.Since = k.s.Wall()
	}
	k.pair.Silent = err.Error()
	k.mu.Unlock()
	k.publish()
}

// order is what one line wants of the engine.
type order struct {
	line   *kept
	action Action
}

// step hands an event to a line, tells what is to be told, and adds to work what the
// engine is to be asked.
func (k *Keeper) step(l *kept, e Event, work *[]order) {
	row := l.Seen()
	if lost, ok := e.(Lost); ok {
		row = lost.Row
	}
	for _, a := range l.Step(k.now(), e) {
		switch a := a.(type) {
		case Tell:
			k.s.Daemon.Lease(l.name, a.Lease)
		case Forgot:
			k.s.Daemon.Happened(l.name, Happening{From: l.state, To: l.state, Row: a.Row, Number: a.Held, Forgot: true})
		default:
			if work != nil {
				*work = append(*work, order{l, a})
			}
		}
	}
	if l.was != l.state {
		_, own := e.(Tick)
		k.s.Daemon.Happened(l.name, Happening{From: l.was, To: l.state, Row: row, Number: l.number, LetGo: own && l.was.Acts()})
		l.was = l.state
	}
}

// perform asks the engine what lines want, those that want the same in one question, and
// returns what they want then. Nothing is left after an error.
func (k *Keeper) perform(ctx context.Context, work []order) (next []order) {
	var looks, renewals, releases []order
	for _, o := range work {
		switch o.action.(type) {
		case Look:
			looks = append(looks, o)
		case Renew:
			renewals = append(renewals, o)
		case Release:
			releases = append(releases, o)
		}
	}
	ok := k.renew(ctx, renewals, &next) && k.release(ctx, releases) && k.look(ctx, looks, &next, func(r engine.Lease) Event { return Read{r} })
	for _, o := range work {
		if ok {
			ok = k.take(ctx, o, &next)
		}
	}
	if !ok {
		return nil
	}
	return next
}

func (k *Keeper) look(ctx context.Context, looks []order, next *[]order, event func(engine.Lease) Event) bool {
	if len(looks) == 0 {
		return true
	}
	names := make([]string, len(looks))
	for i, o := range looks {
		names[i] = o.line.name
	}
	var rows []engine.Lease
	if !k.call(ctx, func(ctx context.Context) (err error) {
		rows, err = k.store.Leases(ctx, names)
		if err == nil && len(rows) != len(names) {
			err = errors.New("the engine answered with another number of leases than was asked for")
		}
		return err
	}) {
		return false
	}
	for i, o := range looks {
		k.step(o.line, event(rows[i]), next)
	}
	return true
}

func (k *Keeper) renew(ctx context.Context, renewals []order, next *[]order) bool {
	if len(renewals) == 0 {
		return true
	}
	held := make([]engine.Lease, len(renewals))
	for i, o := range renewals {
		held[i] = engine.Lease{Line: o.line.name, Number: o.action.(Renew).Number}
	}
	var renewed []string
	if !k.call(ctx, func(ctx context.Context) (err error) {
		renewed, err = k.store.Renew(ctx, k.s.Instance, held)
		return err
	}) {
		return false
	}
	var lost []order
	for _, o := range renewals {
		if slices.Contains(renewed, o.line.name) {
			k.step(o.line, Renewed{}, next)
		} else {
			lost = append(lost, o)
		}
	}
	return k.look(ctx, lost, next, func(r engine.Lease) Event { return Lost{r} })
}

func (k *Keeper) release(ctx context.Context, releases []order) bool {
	if len(releases) == 0 {
		return true
	}
	held := make([]engine.Lease, len(releases))
	for i, o := range releases {
		held[i] = engine.Lease{Line: o.line.name, Number: o.action.(Release).Number}
	}
	return k.call(ctx, func(ctx context.Context) error { return k.store.Release(ctx, k.s.Instance, held) })
}

func (k *Keeper) take(ctx context.Context, o order, next *[]order) bool {
	var took Took
	var ask func(context.Context) error
	switch a := o.action.(type) {
	case Take:
		ask = func(ctx context.Context) (err error) {
			took.Number, took.OK, err = k.store.Take(ctx, a.Seen, k.s.Instance, k.s.TTL)
			return err
		}
	case Claim:
		ask = func(ctx context.Context) (err error) {
			took.Number, took.OK, err = k.store.Claim(ctx, o.line.name, k.s.Instance, a.Held, k.s.TTL)
			return err
		}
	default:
		return true
	}
	if !k.call(ctx, ask) {
		return false
	}
	k.step(o.line, took, next)
	return true
}

// handOver lets everything go that is held, once the engine has what the other machine is
// to do before it acts.
func (k *Keeper) handOver(ctx context.Context) {
	if k.store != nil {
		k.call(ctx, k.tell)
	}
	var work []order
	for _, l := range k.lines {
		k.step(l, Tick{May: Nothing, Online: k.store != nil}, &work)
	}
	releases := slices.DeleteFunc(work, func(o order) bool { _, ok := o.action.(Release); return !ok })
	if k.store != nil && k.release(ctx, releases) {
		k.store.Close()
		k.store = nil
	}
	k.publish()
}

// meet says that this machine is there, and sees which others are.
func (k *Keeper) meet(ctx context.Context) error {
	k.met = k.now()
	all, err := k.store.Meet(ctx, engine.Member{Machine: k.s.Machine, Instance: k.s.Instance, About: k.s.Daemon.About()})
	if err != nil {
		return err
	}
	for _, m := range all {
		if m.Machine == k.s.Machine {
			continue
		}
		i := slices.IndexFunc(k.others, func(o *seenMember) bool { return o.Machine == m.Machine })
		switch {
		case i < 0: // whether it is there now, its next beat tells
			k.others = append(k.others, &seenMember{Member: m, at: k.met - GoneAfter})
		case k.others[i].Beat != m.Beat || k.others[i].Instance != m.Instance:
			*k.others[i] = seenMember{Member: m, at: k.met}
		}
	}
	return nil
}

// publish shows people what there is.
func (k *Keeper) publish() {
	k.mu.Lock()
	defer k.mu.Unlock()
	for i, l := range k.lines {
		state, since := l.State()
		k.roles[i] = Role{Line: l.name, State: state, Since: k.wall(since), Number: l.Number(), Row: l.Seen()}
	}
	k.pair.Others = k.pair.Others[:0:0]
	for _, o := range k.others {
		k.pair.Others = append(k.pair.Others, Other{o.Member, k.now()-o.at < GoneAfter, k.wall(o.at)})
	}
}
