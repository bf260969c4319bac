package gateway

import (
	"context"
	"encoding/json"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/alarm"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
	"lapgate/gateway/lease"
	"lapgate/gateway/status"
	"lapgate/recipe/wording"
)

// PairOptions are what a gateway needs as one of two.
type PairOptions struct {
	Machine string // name of this one
	// Instance tells this start of the daemon from all others; lease.Instance makes it.
	Instance string
	TTL      time.Duration // a lease that stood still so long is taken over
	Renew    time.Duration
	Look     time.Duration
	Limit    time.Duration // for one answer of the engine
	Connect  func(context.Context) (lease.Store, error)
}

// finishWait is how long a line that is to stop goes on until its open offer is closed,
// before it is handed over.
const finishWait = 5 * time.Second

// pairing is this gateway as one of two. Nil is one that is alone.
type pairing struct {
	g      *Gateway
	keeper *lease.Keeper
	lines  map[string]*pairLine

	mu    sync.Mutex
	armed map[uint64]engine.Act // by the word of the other machine alone
	wait  sync.WaitGroup
	run   context.Context // while the gateway runs
	end   context.CancelFunc
	asked context.Context // until the gateway is to end
}

// pairLine is what comes to a line from its lease and from the other machine. It
// outlives the loops that serve the line. Nil is that of a line alone.
type pairLine struct {
	name   string
	of     *pairing
	keeper *lease.Keeper
	bell   bell // something is to be heard
	acts   chan otherAct
	own    ownActs
	doing  atomic.Int32  // acts of the other machine that are not done yet
	over   atomic.Bool   // the line may take over armed
	unsure atomic.Bool   // it was armed by the other machine, which did not say that it is armed too
	seq    atomic.Uint64 // of the newest record
	blind  time.Time     // since when the other machine sees the controller, and this one does not; zero where that is not so

	mu    sync.Mutex
	lease cycle.Lease
	notes []lease.Happening
}

// mostActs is how many acts of the other machine wait for a line that is busy.
const mostActs = 64

// newPairing prepares the pair. Nil options are a gateway alone.
func newPairing(g *Gateway, o *PairOptions, lines []string) *pairing {
	if o == nil {
		return nil
	}
	p := &pairing{g: g, lines: map[string]*pairLine{}, armed: map[uint64]engine.Act{}}
	p.run, p.end = context.WithCancel(context.Background())
	p.keeper = lease.NewKeeper(lease.Settings{
		Machine: o.Machine, Instance: o.Instance, Lines: lines, TTL: o.TTL, Renew: o.Renew, Look: o.Look, Limit: o.Limit,
		Connect: o.Connect, Daemon: p,
	})
	for _, name := range lines {
		p.lines[name] = &pairLine{name: name, of: p, keeper: p.keeper, bell: newBell(), acts: make(chan otherAct, mostActs)}
	}
	return p
}

func (p *pairing) line(name string) *pairLine {
	if p == nil {
		return nil
	}
	return p.lines[name]
}

// recall reads what was noted when the daemon ran last, and tells the other machine what
// it was not told of yet.
func (p *pairing) recall() {
	if p == nil {
		return
	}
	for _, pl := range p.g.lines {
		l := p.lines[pl.name]
		if err := l.own.load(pl.loop().set.journal + actsFile); err != nil {
			p.g.options.Log.Warn("it is not known what was done on this machine of the pair", zap.String("line", l.name), zap.Error(err))
		}
		p.tellAgain(l)
	}
}

// start keeps the leases until stop is called, which is after the lines have ended: then
// what is still held is let go. asked ends when the lines are to end.
func (p *pairing) start(asked context.Context) (stop func()) {
	if p == nil {
		return func() {}
	}
	p.asked = asked
	for _, pl := range p.g.lines {
		l := p.lines[pl.name]
		p.spawn(func() { p.doActs(p.run, l) })
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		p.keeper.Run(p.run)
	}()
	return func() {
		p.mu.Lock()
		p.end()
		p.mu.Unlock()
		<-ended
		p.wait.Wait()
	}
}

// Stands tells what may be done about the lease of a line. A line in shadow holds none,
// so that the other machine can act; but that one is told first why it is in shadow, and takes
// none before that is done there. A line that ends with the gateway keeps its lease until the
// engine has what it recorded.
func (p *pairing) Stands(line string) lease.Tick {
	pl, err := p.g.place(line)
	if err != nil {
		return lease.Tick{}
	}
	s, mine := pl.loop().public.Load(), p.lines[line]
	t := lease.Tick{Fenced: s.Machine.Fenced, FencedAt: s.Machine.FencedAt}
	switch {
	case s.Ended && p.asked.Err() != nil:
		t.May = lease.Keep
	case !s.Begun || s.Ended:
	case !s.Armed && !p.keeper.Owes(line), p.blind(mine, s, pl.loop().set.reconnectLast):
	case !s.Armed, !s.Connected, !s.Machine.Seen, mine.unsure.Load(), mine.doing.Load() > 0:
		t.May = lease.Keep
	case mine.over.Load():
		t.May = lease.Over
	default:
		t.May = lease.Vacant
	}
	return t
}

// blindFor is how long the other machine must see the controller, and this one not, before that
// one is let act, beside the longest wait before this one connects again: after a controller was
// off both see it again, one before the other.
const blindFor = 10 * time.Second

// sees reports whether a machine hears the controller.
func sees(s *status.Line) bool { return s.Connected && s.Machine.Seen && s.Machine.Age < blindFor }

// blind reports whether a line is let go because its controller is out of reach from here
// alone, as where a cable is cut: the other machine can act, and this one cannot.
func (p *pairing) blind(l *pairLine, s *status.Line, reconnect time.Duration) bool {
	if sees(s) || !p.otherSees(l.name) {
		l.blind = time.Time{}
		return false
	}
	if l.blind.IsZero() {
		l.blind = time.Now()
	}
	return time.Since(l.blind) >= blindFor+reconnect
}

// otherSees reports whether another machine is there that hears the controller of a line, and
// would take it over armed.
func (p *pairing) otherSees(line string) bool {
	for _, o := range p.keeper.Pair().Others {
		about, err := toldBy(&o)
		if o.Present && err == nil && slices.ContainsFunc(about, func(a aboutLine) bool { return a.Line == line && a.Sees && a.Pair }) {
			return true
		}
	}
	return false
}

// toldBy is what a machine told of its lines last.
func toldBy(o *lease.Other) (about []aboutLine, err error) {
	err = json.Unmarshal([]byte(o.About), &about)
	return about, err
}

// Lease has a line hear of its lease.
func (p *pairing) Lease(line string, e cycle.Lease) {
	l := p.lines[line]
	l.mu.Lock()
	l.lease = e
	l.mu.Unlock()
	l.bell.ring()
}

// Happened has a line tell of what happened to its lease.
func (p *pairing) Happened(line string, h lease.Happening) {
	l := p.lines[line]
	l.mu.Lock()
	l.notes = append(l.notes, h)
	l.mu.Unlock()
	l.bell.ring()
}

// aboutLine is what one machine tells the other of a line.
type aboutLine struct {
	Line    string `json:"line"`
	Role    string `json:"role"`
	Armed   bool   `json:"armed"`
	Pair    bool   `json:"pair"` // may take over armed
	Records uint64 `json:"records"`
	Sees    bool   `json:"sees"` // the controller is heard
}

// About is what the other machine is told.
func (p *pairing) About() string {
	var all []aboutLine
	for _, pl := range p.g.lines {
		s, l := pl.loop().public.Load(), p.lines[pl.name]
		all = append(all, aboutLine{pl.name, p.keeper.Role(pl.name).State.String(), s.Armed, s.Armed && l.over.Load(), l.seq.Load(), sees(s)})
	}
	text, err := json.Marshal(all)
	if err != nil {
		return "" // of plain values it never fails
	}
	return string(text)
}

// goneFor is how long no other machine must be there, with the engine answering, before
// people are told: a daemon that is started again is soon back.
const goneFor = 30 * time.Second

// otherGone reports whether the engine answers and no other machine is there.
func (p *pairing) otherGone() bool {
	if p == nil {
		return false
	}
	all := p.keeper.Pair()
	return all.Silent == "" && time.Since(all.Since) >= goneFor &&
		!slices.ContainsFunc(all.Others, func(o lease.Other) bool { return time.Since(o.At) < goneFor })
}

// beside are the conditions of the pair.
func (p *pairing) beside() []alarm.Condition {
	if p.otherGone() {
		return []alarm.Condition{{Key: cycle.ConditionOtherGone}}
	}
	return nil
}

// state is what a line is in the pair, nil for one alone.
func (l *pairLine) state() *status.Pair {
	if l == nil {
		return nil
	}
	r, all := l.keeper.Role(l.name), l.keeper.Pair()
	s := &status.Pair{
		Role: r.State.String(), Acts: r.State.Acts(), Fenced: r.State == lease.Fenced, Since: r.Since, Lease: r.Number,
		Holder: lease.MachineOf(r.Row.Instance), Machine: all.Machine, Silent: all.Silent, EngineSince: all.Since,
	}
	if !s.Acts {
		s.Lease = r.Row.Number
	}
	for _, o := range all.Others {
		s.Other, s.OtherThere = o.Machine, o.Present
		if o.Present {
			break
		}
	}
	return s
}

// calls is the bell that the line hears.
func (l *pairLine) calls() bell {
	if l == nil {
		return nil
	}
	return l.bell
}

// changed has the lease of the line looked at now.
func (l *pairLine) changed() {
	if l != nil {
		l.keeper.Kick()
	}
}

// hearLease hands the machine what is to be known of the lease, and tells people.
func (l *lineLoop) hearLease(ctx context.Context) {
	p := l.pair
	p.mu.Lock()
	word, notes := p.lease, p.notes
	p.notes = nil
	p.mu.Unlock()
	l.handle(ctx, word)
	for _, h := range notes {
		if n, ok := noteOf(&h); ok {
			l.notify(n)
		}
	}
}

// noteOf is what people are told of what happened to a lease.
func noteOf(h *lease.Happening) (n cycle.Notify, ok bool) {
	before := wording.Plain(lease.MachineOf(h.Row.Instance))
	if h.Row.Instance == "" {
		before = wording.Say("pair.nobody")
	}
	fields := []cycle.Field{{Key: "lease", Value: h.Number}}
	switch {
	case h.Forgot:
		return cycle.NoticeOf(cycle.NoticeForgotten, wording.Say("told.lease-forgotten", "number", h.Row.Number, "newest", h.Number), fields...), true
	case h.To == lease.Unproven && h.From != lease.Active:
		return cycle.NoticeOf(cycle.NoticeTakenOver, wording.Say("told.line-taken-by-hand"), fields...), true
	case h.From == lease.Taking && h.To == lease.Active && h.Row.Number == 0:
		return cycle.NoticeOf(cycle.NoticeHandedOver, wording.Say("told.line-taken"), fields...), true
	case h.From == lease.Taking && h.To == lease.Active && h.Row.Instance == "":
		return cycle.NoticeOf(cycle.NoticeHandedOver, wording.Say("told.line-handed-over"), fields...), true
	case h.From == lease.Taking && h.To == lease.Active:
		return cycle.NoticeOf(cycle.NoticeTakenOver, wording.Say("told.line-taken-over", "machine", before, "number", h.Row.Number), fields...), true
	case h.LetGo:
		return cycle.NoticeOf(cycle.NoticeMoved, wording.Say("told.line-let-go", "number", h.Number), fields...), true
	case h.From.Acts() && !h.To.Acts():
		return cycle.NoticeOf(cycle.NoticeMoved, wording.Say("told.line-moved", "machine", before, "number", h.Row.Number), fields...), true
	}
	return n, false
}

// finishing reports whether a line that is to stop has an offer open that the controller
// may still answer. In a pair the other machine takes the line at once, and does not know
// of it.
func (l *lineLoop) finishing() bool {
	return l.pair != nil && l.armed && l.port != nil && l.machine.Status().Open != nil
}

// current reports whether all that persons did on the other machine, as far as the engine
// has it, is done here.
func (l *pairLine) current() bool {
	return l.doing.Load() == 0 && l.keeper.Pair().Heard
}

// disarmOther has the other machine forbid writing too, where that was not its own word.
func (l *lineLoop) disarmOther(reason string) {
	if l.pair == nil {
		return
	}
	l.log.Info("the other machine is told to forbid writing too", zap.String("reason", reason))
	l.pair.of.tell(l.set.name, lease.ActDisarm, &actBody{By: self, Reason: reason})
}

// newLoop is a loop for a line of this gateway.
func (g *Gateway) newLoop(s settings) *lineLoop {
	l := newLineLoop(s, &g.options, g.beside)
	l.pair = g.pair.line(s.name)
	return l
}

// linesOf are the names of the lines of a configuration.
func linesOf(s *config.Snapshot) (names []string) {
	for i := range s.Lines {
		if r := s.Lines[i].Recipe; r != nil {
			names = append(names, r.Name)
		}
	}
	return names
}
