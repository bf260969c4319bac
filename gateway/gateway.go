// Package gateway is the shell around the pure machine of package cycle: it
// owns sockets, clock, journal and randomness, executes the machine's actions
// in order and feeds what came of them back as events.
//
// Each line has one goroutine that owns its machine, its connection and its
// journal. Lines share nothing, so that one that fails never stops another.
package gateway

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	mathrand "math/rand/v2"
	"net"
	"slices"
	"sync"
	"sync/atomic"

	"go.uber.org/zap"

	"lapgate/gateway/alarm"
	"lapgate/gateway/checkup"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/publish"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
)

// ErrFenced says that every line was fenced: another gateway serves them. To be
// started again and again would only make the two take turns.
var ErrFenced = errors.New("gateway: every line is served by another gateway")

var errFenced = errors.New("fenced")

// Journal is what a line needs of its durable record. An error of Append
// means that the records may or may not be durable; the line then ends, and
// the journal is not used again.
type Journal interface {
	// Append returns when the records are durable. They become so together.
	Append(ctx context.Context, records ...record.Record) ([]record.Stored, error)
	// Replay calls f for each record in order, and stops at f's first error.
	Replay(ctx context.Context, f func(record.Stored) error) error
	// SetAside tells where the journal before this one was moved to because it
	// could not be gone on with, and why; both are empty where there was none.
	SetAside() (path, problem string)
	// BeginAnew sets the journal aside, untouched, because its records contradict
	// each other or are damaged, and goes on with a new one in its place.
	BeginAnew(ctx context.Context, problem string) error
	// Doubts tells what speaks against it being the journal that the line last wrote;
	// nothing where all is well.
	Doubts() []string
	// Tend closes the journal off where the rule says so and carry gives what goes over
	// into the next file, and removes archives whose time is over and whose outcomes,
	// up to acked, are acknowledged.
	Tend(ctx context.Context, rule journal.Rule, acked uint32, carry func() (record.Carry, bool)) (journal.Tended, error)
	// Close frees the journal; nothing is lost by closing late.
	Close() error
}

// Options are what a gateway is made of.
type Options struct {
	// Snapshot is the configuration in force at start.
	Snapshot *config.Snapshot
	// Dialer makes the dialer of one line's controller. It is called whenever the
	// line begins to be served.
	Dialer func(*config.Line) (link.Dialer, error)
	// OpenJournal opens the journal of one line.
	OpenJournal func(ctx context.Context, line string) (Journal, error)
	// OpenOrders opens the folder of a line's orders. Nil for the folder of
	// that name in the file system.
	OpenOrders func(directory string) fs.FS
	// DialScanner connects to a line's scanner. Nil for a net.Dialer.
	DialScanner func(ctx context.Context, network, address string) (net.Conn, error)
	// Log takes what people should know. Nil for none.
	Log *zap.Logger
	// LogLevel is the level of Log, which another configuration sets. Nil for one that stays.
	LogLevel *zap.AtomicLevel
	// Metrics takes what machines should know. Nil for none.
	Metrics *status.Metrics
	// FreeRoom tells the bytes that are free on the disk of a folder. Nil for what the
	// operating system says.
	FreeRoom func(folder string) (uint64, error)
	// Certificates tells the certificates that the connection of a line rests on, as they
	// are now. Nil for none.
	Certificates func(*config.Line) []connect.CertificateEnd
	// Version of the program, which records name. Empty where there is none.
	Version string
	// Broker takes what the journals tell of rolls, holds and conditions. Nil for nobody.
	Broker *publish.Broker
	// Ship hands the journals on to the engine of the mill's record. Nil for none.
	Ship *ShippingOptions
	// Pair makes this gateway one of two. Nil for one that is alone.
	Pair *PairOptions
	// Random is the source of session numbers. Nil for the operating system's.
	Random io.Reader
	// Jitter returns a number in [0, 1) that spreads reconnects. Nil for one
	// that is seeded at random.
	Jitter func() float64
	// Arm arms every line at its start, as somebody's act that is recorded, without a
	// look at its controller first: for a program that made the controller itself. Nil
	// for none.
	Arm *Act
	// OnRecord is called after each record became durable, from the line's own
	// goroutine: it must return at once. Nil for none.
	OnRecord func(line string, s record.Stored)

	user  string // of the operating system, that the gateway runs as
	turns turns  // of the lines that begin
}

// Act is what a program does under its own name.
type Act struct{ By, Reason string }

// Gateway serves the lines of one configuration.
type Gateway struct {
	options Options
	lines   []*place

	reload   sync.Mutex
	snapshot atomic.Pointer[config.Snapshot] // in force
	previous *config.Snapshot                // in force before it; belongs to whoever holds reload
	inForce  atomic.Pointer[status.Config]

	journals  string       // their folder
	leastFree atomic.Int64 // megabytes on its disk
	short     atomic.Bool  // it has less

	onwards  map[string]*onward // by line; nil where nothing is sent onward
	shipping *shipping          // nil without an engine
	pair     *pairing           // nil where this gateway is alone

	shifts  atomic.Pointer[config.Shifts]
	endings atomic.Pointer[map[string][]alarm.Condition] // of certificates, by line

	mu     sync.Mutex
	cancel context.CancelFunc // set while Run runs
	done   chan struct{}      // closed when Run has returned
	ran    bool
	ended  int           // lines that have ended and do not come back by themselves
	over   chan struct{} // closed when all have

	started chan struct{} // closed when each line was begun or has ended
}

// New prepares a gateway. Nothing is opened or dialled yet. Errors: options
// that are missing, a snapshot without lines or with two of the same name.
func New(o Options) (*Gateway, error) {
	var problems []error
	if o.Snapshot == nil {
		problems = append(problems, errors.New("gateway: no configuration given"))
	}
	if o.Dialer == nil {
		problems = append(problems, errors.New("gateway: no dialer given"))
	}
	if o.OpenJournal == nil {
		problems = append(problems, errors.New("gateway: no journal opener given"))
	}
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	if o.FreeRoom == nil {
		o.FreeRoom = checkup.FreeRoom
	}
	if o.Certificates == nil {
		o.Certificates = func(*config.Line) []connect.CertificateEnd { return nil }
	}
	if o.Random == nil {
		o.Random = rand.Reader
	}
	if o.Jitter == nil {
		o.Jitter = mathrand.Float64
	}
	o.user, o.turns = control.Daemon().User, make(turns, mostTurns)
	g := &Gateway{options: o, done: make(chan struct{}), over: make(chan struct{}), started: make(chan struct{}), journals: o.Snapshot.Journal.Directory}
	g.snapshot.Store(o.Snapshot)
	g.shifts.Store(&o.Snapshot.Shifts)
	g.leastFree.Store(int64(o.Snapshot.Journal.LeastFree))
	g.inForce.Store(&status.Config{File: o.Snapshot.File, Hash: o.Snapshot.Hash})
	g.pair = newPairing(g, o.Pair, linesOf(o.Snapshot))
	seen := map[string]bool{}
	for i := range o.Snapshot.Lines {
		s, err := settingsOf(o.Snapshot, &o.Snapshot.Lines[i], o.Pair != nil)
		if err != nil {
			problems = append(problems, err)
			continue
		}
		if seen[s.name] {
			problems = append(problems, fmt.Errorf("gateway: two lines are named %q; give each its own name", s.name))
			continue
		}
		seen[s.name] = true
		g.lines = append(g.lines, newPlace(g.newLoop(s)))
	}
	if len(g.lines) == 0 && len(problems) == 0 {
		problems = append(problems, errors.New("gateway: the configuration has no lines"))
	}
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	g.pair.recall()
	g.publishers()
	g.newShipping()
	return g, nil
}

// Run serves all lines until ctx ends, Stop is called, or every line has
// ended by an error of its own and none comes back by itself. It returns what ended
// lines, joined, and nil when all stopped cleanly. The error is ErrFenced where every line was fenced. It
// can be called once.
func (g *Gateway) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	g.mu.Lock()
	if g.ran {
		g.mu.Unlock()
		return errors.New("gateway: Run was called before; make a new gateway")
	}
	g.ran, g.cancel = true, cancel
	g.mu.Unlock()
	defer close(g.done)

	go g.watchStart(ctx, g.loops())
	stopPair, stopShipping := g.pair.start(ctx), g.shipping.start(ctx)
	failures := make([]error, len(g.lines))
	var wait sync.WaitGroup
	for i, p := range g.lines {
		wait.Go(func() { failures[i] = g.keep(ctx, p) })
	}
	looking, looked := context.WithCancel(ctx)
	go g.watchCertificates(looking)
	go g.watchRoom(looking) // not waited for: a disk on a network that is gone may not answer
	var sending sync.WaitGroup
	sending.Go(func() { g.publishAll(looking) })
	wait.Wait()
	stopShipping() // first, or the other machine acts before the engine has all of this one
	looked()
	sending.Wait()
	stopPair()
	err := errors.Join(failures...)
	if !slices.ContainsFunc(failures, func(e error) bool { return !errors.Is(e, errFenced) }) {
		return fmt.Errorf("%w: %w", ErrFenced, err)
	}
	return err
}

// Started is closed once each line is served, or has ended and says why. It stays open
// where Run ends before.
func (g *Gateway) Started() <-chan struct{} { return g.started }

func (g *Gateway) loops() []*lineLoop {
	all := make([]*lineLoop, len(g.lines))
	for i, p := range g.lines {
		all[i] = p.loop()
	}
	return all
}

// watchStart waits until the first loops of all lines have begun or ended.
func (g *Gateway) watchStart(ctx context.Context, first []*lineLoop) {
	for _, l := range first {
		if !l.awaitStart(ctx) {
			return
		}
	}
	close(g.started)
}

// Stop ends Run: each line finishes the actions at hand, closes its
// connection and its journal. It returns when Run has returned.
func (g *Gateway) Stop() {
	g.mu.Lock()
	cancel := g.cancel
	g.mu.Unlock()
	if cancel == nil {
		return
	}
	cancel()
	<-g.done
}

// Lines returns the present state of each line, in the order of the
// configuration.
func (g *Gateway) Lines() []status.Line {
	out := make([]status.Line, len(g.lines))
	for i, p := range g.lines {
		out[i] = *p.loop().public.Load()
		out[i].Onward = g.onwardState(p.name)
		if g.behind(p.name) {
			out[i].Machine.Conditions = append(slices.Clone(out[i].Machine.Conditions), cycle.ConditionOnward)
		}
		if g.pair.otherGone() {
			out[i].Machine.Conditions = append(slices.Clone(out[i].Machine.Conditions), cycle.ConditionOtherGone)
		}
		if g.short.Load() {
			out[i].Machine.Conditions = append(slices.Clone(out[i].Machine.Conditions), cycle.ConditionRoom)
		}
		out[i].Engine = g.shipping.state(p.name)
		for _, c := range g.shipping.conditions(p.name) {
			out[i].Machine.Conditions = append(slices.Clone(out[i].Machine.Conditions), c.Key)
		}
	}
	return out
}

// Newest tells what the newest records of a line tell of its rolls. It is empty for a
// line of another name.
func (g *Gateway) Newest(line string) *record.Newest {
	l, err := g.line(line)
	if err != nil {
		return &record.Newest{}
	}
	return l.newest.Load()
}
