package virtual

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/gateway/stationtest"
	"lapgate/sim/controller"
)

// world is one run: a station, the wire, a daemon and the faults between them. Its
// lock is never held while the virtual clock is waited for.
type world struct {
	plan     *plan
	snapshot *config.Snapshot
	path     string // of the journal
	station  *station
	dialer   *memory.Dialer
	random   io.Reader
	stop     chan struct{} // asks for a stop in good order

	mu       sync.Mutex
	life     *life
	fuse     *fuse
	fullDisk bool
	drop     record.Kind
	history  stationtest.History
	at       int64 // of the newest observation of either side
	offered  map[record.OfferName][]uint16
	wrong    []error
	counts   map[string]int
	records  int
	restarts int

	wire    // faults of the link
	elapsed time.Duration
}

// wire is what is to happen to the calls of the link.
type wire struct {
	cut, black time.Duration // until then
	armed      []armed
	earlier    map[handshake.ID][]uint16 // what stood in each block before its newest write
	lied       time.Duration             // newest false block
	landing    time.Duration             // when late writes land, 0 for none
	undo       func()                    // after the call that is under way
}

// armed is a fault of one of the next calls to a block.
type armed struct {
	what  string
	op    string
	block handshake.ID
	left  int
	n     int
	delay time.Duration
}

func newWorld(p *plan, snapshot *config.Snapshot, path string) *world {
	image := memory.NewImage()
	var seed [32]byte
	seed[0], seed[1], seed[2] = byte(p.Seed), byte(p.Seed>>8), byte(p.Seed>>16)
	w := &world{
		plan: p, snapshot: snapshot, path: path, random: rand.NewChaCha8(seed), stop: make(chan struct{}, 1),
		offered: map[record.OfferName][]uint16{}, counts: map[string]int{},
	}
	w.earlier = map[handshake.ID][]uint16{}
	w.station = newStation(image, p.Seed)
	w.station.note = func(e stationtest.Event) {
		w.mu.Lock()
		defer w.mu.Unlock()
		e.At = w.next()
		w.history.Ledger = append(w.history.Ledger, e)
		w.counts["station/"+string(e.What)]++
	}
	w.station.judge = w.judged
	w.station.did = func(what string) { w.mu.Lock(); w.count(what); w.mu.Unlock() }
	w.dialer = &memory.Dialer{Image: image, Before: w.before, After: w.after}
	return w
}

// next is the place of an observation among those of both sides.
func (w *world) next() int64 { w.at++; return w.at }

func (w *world) count(what string) { w.counts[what]++ }

// judged holds what the program accepts against what the sequential station does
// not know: words, measurement, permissives and age.
func (w *world) judged(e *controller.Event, waiting controller.Measurement) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.counts["verdict/"+handshake.Verdict(e.Verdict).String()]++
	if e.Verdict == controller.Rejected {
		return
	}
	name := record.OfferName{Session: handshake.Session(e.Session), Offer: e.Offer}
	tag, diameter, width := e.Echo()
	bad := func(on bool, what string) {
		if on {
			w.wrong = append(w.wrong, fmt.Errorf("roll %d, offer %s: %s", e.Roll, name, what))
		}
	}
	bad(!slices.Equal(w.offered[name], e.Payload[:]), "S4: the journal holds other words")
	bad(tag != waiting.Tag || diameter != waiting.Diameter || width != waiting.Width, "S1: another measurement is at the station")
	bad(e.Tick-e.Echoed > 200, "S9: too late")
	bad(e.Verdict == controller.Accepted && e.On&allOn != allOn, "S8: a permissive is off")
}

// run lives through the plan, lets everything come to rest, and returns what went
// wrong. It is called in a bubble.
func (w *world) run() error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	ended := make(chan error, 1)
	<-time.After(scanTime / 2) // scans lie between polls
	go func() {
		<-time.After(scanTime / 2)
		ended <- w.serve(ctx)
	}()
	scans := time.NewTicker(scanTime)
	defer scans.Stop()
	steps := w.plan.Steps
	length := time.Duration(w.plan.Length)
	for err := error(nil); ; {
		select {
		case err = <-ended:
			return errors.Join(err, errors.New("no daemon is left"))
		case <-scans.C:
		}
		var rests bool
		steps, rests = w.turn(steps, length)
		if rests {
			cancel()
			return errors.Join(<-ended, errors.Join(w.wrong...))
		}
		if w.elapsed > length+3*time.Hour {
			cancel()
			<-ended
			produced, acked := w.station.program.Outcomes()
			return fmt.Errorf("L1, L2: three hours after the last fault the line is not at rest: phase %s, %d outcomes, %d acknowledged", w.station.program.Phase(), produced, acked)
		}
	}
}

// turn is one scan with what is due before it. It returns the steps to come.
func (w *world) turn(steps []step, length time.Duration) (rest []step, rests bool) {
	w.station.mu.Lock()
	defer w.station.mu.Unlock()
	now := w.station.now()
	for len(steps) > 0 && time.Duration(steps[0].At) <= now && now < length {
		disturbances[steps[0].What].do(w, &steps[0])
		steps = steps[1:]
	}
	if now >= length && w.station.feeding {
		w.calm()
	}
	w.land(now)
	w.station.scan()
	w.elapsed = w.station.now()
	return steps, w.rests()
}

// calm ends all faults, and lets no more rolls come.
func (w *world) calm() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.station.feeding = false
	w.cut, w.black, w.armed, w.fuse, w.fullDisk = 0, 0, nil, nil, false
	w.station.offEnd, w.station.lagEnd, w.station.hand = 0, 0, 0
}

// rests reports whether nothing is left to do.
func (w *world) rests() bool {
	produced, acked := w.station.program.Outcomes()
	return !w.station.feeding && w.station.down == 0 && !w.station.program.MemoryLost() && produced == acked &&
		w.station.program.Phase() == controller.PhaseEmpty && w.station.now()-w.station.since > time.Minute
}
