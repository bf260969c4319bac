package cycle

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

var knownCodes = func() map[string]bool {
	codes := map[string]bool{}
	for _, n := range notices {
		codes[n.code], codes[n.endsBy] = true, true
	}
	return codes
}()

var testTimes = Times{Poll: 100 * time.Millisecond, Heartbeat: 500 * time.Millisecond, Stale: time.Second, Verdict: 1500 * time.Millisecond}

// viewOf reads the words of a request block as the shell does.
func viewOf(words []uint16) Event {
	var r handshake.Request
	if err := handshake.DecodeRequest(words, &r); err != nil {
		var d *handshake.DecodeError
		if errors.As(err, &d) {
			return BadView{d.Cause}
		}
		return BadView{"type"}
	}
	v := View{Request: r}
	v.Roll = recipe.Roll{Number: r.RollNo, Tag: r.Tag.String(), Diameter: float64(r.Diameter) / 1e4, DiameterMax: float64(r.Diameter) / 1e4,
		Width: float64(r.Width) / 1e4, WidthMedian: float64(r.Width) / 1e4, DiameterU: 0.0005, WidthU: 0.0005,
		Quality: float64(r.Quality) / 100, Age: float64(r.ScanAge) / 100, Grade: int(r.Grade), Core: int(r.Core)}
	for i := range 6 {
		v.Stand.Ready[i] = r.SlotsReady>>i&1 == 1
		v.Stand.Outer[i] = float64(r.SlotOuter[i]) / 1e3
	}
	v.Stand.PlatenHot = float64(r.PlatenHot) / 10
	v.Stand.Permissives, v.Stand.Platen, v.Stand.Mode, v.Stand.State = r.Permissives, float64(r.Platen)/10, int(r.UnitMode), int(r.UnitState)
	v.Stand.Confirmed = int(r.SlotConfirmed)
	return v
}

// faults are what the world does to the traffic, each at most as often as the
// number says; -1 is without end.
type faults struct {
	lose      map[string]int // write lost, connection gone
	late      map[string]int // write lost, connection gone, and it lands later
	swallow   map[string]int // write confirmed, and lost behind the confirmation
	refuse    map[string]int // write or read refused
	twice     map[string]int // write lands again later
	tearWrite map[string]int // write lands in two halves with scans between
	garble    map[string]int // one register of the block lands wrong
	tearRead  map[string]int // read torn
	slow      map[string]int // write confirmed, and lands later
	overtake  map[string]int // the ring goes round before it is read
	lie       map[string]int // publications that are whole and false, by what they say
}

func newFaults() faults {
	f := faults{}
	for _, m := range f.all() {
		*m = map[string]int{}
	}
	return f
}

func (f *faults) all() []*map[string]int {
	return []*map[string]int{&f.lose, &f.late, &f.swallow, &f.refuse, &f.twice, &f.tearWrite, &f.garble, &f.tearRead, &f.slow, &f.overtake, &f.lie}
}

func fires(m map[string]int, key string) bool {
	switch n := m[key]; {
	case n == 0:
		return false
	case n > 0:
		m[key]--
	}
	return true
}

// message is a write that lands later.
type message struct {
	block string
	words []uint16
	at    time.Duration
}

// world holds a machine, its journal, a controller and the wire between them.
type world struct {
	t     testing.TB
	plc   *controller
	m     *Machine
	conf  Config
	lines map[uint32]*recipe.Line // by the hash of their configuration
	log   []record.Record         // durable
	ghost ghosts
	told  witness
	mono  time.Duration
	rng   *rand.Rand // nil in scripted runs
	nonce uint32

	linked  bool
	wanted  bool // the wire could stand
	faults  faults
	inAir   []message
	dead    bool // the process halted
	stored  bool // records go through their stored form
	haltWhy string

	crashAfter  string // kind or block after which the process dies, once
	crashBefore string
	failKind    record.Kind // record that cannot be made durable, once
	onEvent     func(ev Event, actions []Action)

	lieGen uint16 // publication that is false
	lieOf  string // and what it says

	stats map[string]int
}

// lies are what a request block may say although it is not so.
var lies = []string{"produced", "acked", "roll", "boot", "floor", "session", "lost", "boot-up", "roll-up", "floor-up"}

// lie makes a publication say what is not so. It says the same however often it is
// read.
func (w *world) lie(words []uint16) {
	gen := words[2]
	if w.lieOf == "" || gen != w.lieGen {
		w.lieOf = ""
		for _, l := range lies {
			// Two false blocks do not say the same one after the other.
			if w.lieOf == "" && gen-w.lieGen > 9 && fires(w.faults.lie, l) {
				w.lieOf, w.lieGen = l, gen
				w.stats["fault/false view"]++
			}
		}
	}
	less := func(at int, n uint32) { setLong(words, at, long(words, at)-min(n, long(words, at))) }
	switch w.lieOf {
	case "":
		return
	case "produced":
		setLong(words, 51, long(words, 51)+70)
	case "acked":
		setLong(words, 51, long(words, 51)+3)
		setLong(words, 53, long(words, 51))
	case "roll":
		less(18, 9)
	case "boot":
		less(3, 1)
	case "floor":
		less(11, 1)
	case "floor-up":
		setLong(words, 11, long(words, 11)+1)
	case "session":
		setLong(words, 7, long(words, 11)+1)
		setLong(words, 11, long(words, 11)+1)
	case "boot-up":
		setLong(words, 3, long(words, 3)+1)
	case "roll-up":
		setLong(words, 18, long(words, 18)+2)
	case "lost":
		words[15] |= 2
	}
	if whole(w.plc.published[:]) && words[2] == words[93] {
		setLong(words, 94, sum(words[:94]))
	}
}

func newWorld(t testing.TB) *world {
	w := &world{t: t, plc: newController(), faults: newFaults(), nonce: 0x1000, stats: map[string]int{}, wanted: true, stored: true}
	w.plc.grade, w.plc.core = 7, 3
	w.conf = Config{Line: testLine(), ConfigHash: 0x1F2E3D4C, Times: testTimes, Armed: true}
	w.lines = map[uint32]*recipe.Line{w.conf.ConfigHash: w.conf.Line}
	w.ghost.begin(w)
	w.told.begin(w)
	w.boot()
	return w
}

// boot starts the gateway process on its journal.
func (w *world) boot() {
	w.m = New(w.conf)
	w.dead = false
	for i, r := range w.log {
		if err := w.m.Recover(record.Stored{Seq: uint64(i + 1), Record: r}); err != nil {
			w.t.Fatalf("recover record %d: %v", i+1, err)
		}
	}
	w.linked = false
}

// crash ends the process between two steps and starts it again.
func (w *world) crash() {
	// What a restart finds must be what the machine knew.
	if !w.dead && w.m.state != StateHalted {
		found := newMemory()
		for _, r := range w.log {
			if err := found.apply(r); err != nil {
				w.t.Fatalf("recover: %v", err)
			}
		}
		if !reflect.DeepEqual(found, w.m.mem) {
			w.fail("the journal holds\n%+v\nthe machine knew\n%+v", found, w.m.mem)
		}
		w.carryOver()
	}
	w.die()
}

// carryOver closes the journal off: what the next file begins with must be all that
// the machine knew.
func (w *world) carryOver() {
	c, ok := w.m.Carry()
	if !ok {
		return
	}
	w.stats["carried over"]++
	found := newMemory()
	if err := found.apply(c); err != nil {
		w.t.Fatalf("carry over: %v", err)
	}
	if !reflect.DeepEqual(found, w.m.mem) {
		w.fail("carried over is\n%+v\nthe machine knew\n%+v", found, w.m.mem)
	}
}

// die ends the process wherever it stands and starts it again.
func (w *world) die() {
	w.stats["crash"]++
	w.boot()
}

var errCrash = errors.New("crash")

// feed gives the machine an event and executes what comes of it, until
// nothing more does.
func (w *world) feed(ev Event) {
	queue := []Event{ev}
	for turns := 0; len(queue) > 0 && !w.dead; turns++ {
		if turns > 200 {
			w.t.Fatalf("200 events followed from one: the machine goes round in circles at %s", w.m.state)
		}
		ev, queue = queue[0], queue[1:]
		w.ghost.sees(ev)
		actions := slices.Clone(w.m.Step(Moment{Mono: w.mono, Wall: w.wall()}, ev))
		if w.onEvent != nil {
			w.onEvent(ev, actions)
		}
		more, err := w.execute(actions)
		if err != nil {
			w.die()
			return
		}
		queue = append(queue, more...)
	}
}

// wall is the time of day.
func (w *world) wall() time.Time {
	return time.Date(2026, 11, 26, 3, 0, 0, 0, time.UTC).Add(w.mono)
}

// execute does the actions in order. On a failure the rest is dropped and the
// failure is the last event.
func (w *world) execute(actions []Action) (events []Event, err error) {
	onWire := false
	for _, a := range actions {
		name := actionName(a)
		switch a.(type) {
		case Append:
			if onWire {
				w.fail("a record follows a read or a write in one step, and would be lost with it: %+v", a)
			}
		case Send, FetchView, FetchPayload, FetchOutcomes, DrawNonce:
			onWire = true
		}
		if w.crashBefore != "" && w.crashBefore == name {
			w.crashBefore = ""
			return nil, errCrash
		}
		switch a := a.(type) {
		case Append:
			if a.Record.Kind() == w.failKind {
				w.failKind = ""
				return append(events, JournalFailed{"no space left"}), nil
			}
			w.append(a.Record)
		case Send:
			ev, ok := w.send(a)
			events = append(events, ev)
			if !ok {
				return events, nil
			}
		case FetchView, FetchPayload, FetchOutcomes:
			ev, ok := w.read(a)
			events = append(events, ev)
			if !ok {
				return events, nil
			}
		case DrawNonce:
			w.nonce++
			events = append(events, Nonce{w.nonce})
		case Drop:
			w.linked = false
		case Notify:
			w.stats["notify/"+a.Code]++
			if !knownCodes[a.Code] {
				w.fail("notice %q is not in the table", a.Code)
			}
		case Halt:
			w.dead, w.haltWhy = true, a.Reason
			w.stats["halt"]++
			return nil, nil
		}
		if w.crashAfter != "" && w.crashAfter == name {
			w.crashAfter = ""
			return nil, errCrash
		}
	}
	return events, nil
}

func actionName(a Action) string {
	switch a := a.(type) {
	case Append:
		return "record " + string(a.Record.Kind())
	case Send:
		return a.Block.String()
	}
	return ""
}

func (w *world) append(r record.Record) {
	if w.stored {
		b, err := record.Marshal(r)
		if err != nil {
			w.t.Fatal(err)
		}
		back, err := record.Unmarshal(r.Kind(), b)
		if err != nil {
			w.t.Fatal(err)
		}
		if !reflect.DeepEqual(r, back) {
			w.t.Fatalf("record %s changed on its way through the journal:\n%+v\n%+v", r.Kind(), r, back)
		}
		r = back
	}
	w.ghost.journals(r)
	w.log = append(w.log, r)
	w.told.journals(r)
	w.stats["record/"+string(r.Kind())]++
}

func (w *world) down(why string) (Event, bool) {
	w.linked = false
	w.stats["fault/link"]++
	return LinkDown{why}, false
}

func (w *world) send(a Send) (Event, bool) {
	w.ghost.sends(a)
	name := a.Block.String()
	words := slices.Clone(a.Words)
	if !w.linked {
		return w.down("not connected")
	}
	if fires(w.faults.refuse, name) {
		w.stats["fault/refused"]++
		return Refused{a.Block, "exception 4"}, false
	}
	if fires(w.faults.lose, name) {
		return w.down("time-out")
	}
	if fires(w.faults.late, name) {
		w.stats["fault/late"]++
		w.inAir = append(w.inAir, message{name, words, w.mono + w.delay()})
		return w.down("time-out")
	}
	if fires(w.faults.twice, name) {
		w.stats["fault/twice"]++
		w.inAir = append(w.inAir, message{name, words, w.mono + w.delay()})
	}
	if fires(w.faults.swallow, name) {
		w.stats["fault/swallowed"]++
		return Written{a.Block}, true
	}
	if fires(w.faults.slow, name) {
		w.stats["fault/slow"]++
		w.inAir = append(w.inAir, message{name, words, w.mono + w.delay()/10 + 1500*time.Millisecond})
		return Written{a.Block}, true
	}
	if fires(w.faults.garble, name) {
		w.stats["fault/garbled"]++
		words[len(words)/2] ^= 0x0100
	}
	area := w.plc.area(name)
	if area == nil || len(area) != len(words) {
		w.t.Fatalf("write of %d registers to block %s", len(words), name)
	}
	if fires(w.faults.tearWrite, name) {
		w.stats["fault/torn write"]++
		h := len(words) / 2
		copy(area[:h], words[:h])
		w.plc.scan()
		copy(area[h:], words[h:])
		return Written{a.Block}, true
	}
	copy(area, words)
	return Written{a.Block}, true
}

// byHand wraps rolls by hand, whatever room the ring has.
func (w *world) byHand(n int) {
	w.plc.policyCount = true
	for range n {
		w.plc.arrive(12000, 16000, "hand")
		w.plc.manual()
		w.plc.finish()
	}
	w.plc.policyCount = false
	w.stats["event/ring"]++
}

func (w *world) delay() time.Duration {
	if w.rng == nil {
		return 300 * time.Millisecond
	}
	return time.Duration(w.rng.IntN(4000)) * time.Millisecond
}

func (w *world) read(a Action) (Event, bool) {
	id := handshake.REQ
	switch a.(type) {
	case FetchPayload:
		id = handshake.PAYLOAD
	case FetchOutcomes:
		id = handshake.OUT
	}
	if !w.linked {
		return w.down("not connected")
	}
	if fires(w.faults.refuse, id.String()) {
		w.stats["fault/refused"]++
		return Refused{id, "exception 4"}, false
	}
	if fires(w.faults.lose, id.String()) {
		return w.down("time-out")
	}
	torn := fires(w.faults.tearRead, id.String())
	if torn {
		w.stats["fault/torn read"]++
	}
	switch a := a.(type) {
	case FetchView:
		words := slices.Clone(w.plc.published[:])
		if torn {
			copy(words[:48], w.plc.before[:48])
		}
		w.lie(words)
		return viewOf(words), true
	case FetchPayload:
		return Payload{Words: slices.Clone(w.plc.payload)}, true
	case FetchOutcomes:
		if w.plc.phase == plcEmpty && fires(w.faults.overtake, "OUT") {
			w.byHand(66)
		}
		e := Outcomes{}
		for i := range uint32(a.N) {
			words := w.plc.entry(a.From + i)
			if torn {
				words[30] ^= 1
			}
			o := OutcomeRead{Words: words}
			if err := handshake.DecodeOutcome(words, &o.Outcome); err != nil {
				o.Err = err.Error()
			}
			e.Entries = append(e.Entries, o)
		}
		return e, true
	}
	return nil, false
}

// pass lets time go by: the controller scans, late messages land.
func (w *world) pass(d time.Duration) {
	const scan = 50 * time.Millisecond // the tick follows time, not the scan
	for d > 0 {
		s := min(scan, d)
		d -= s
		w.mono += s
		keep := w.inAir[:0]
		for _, msg := range w.inAir {
			if msg.at > w.mono {
				keep = append(keep, msg)
				continue
			}
			copy(w.plc.area(msg.block), msg.words)
		}
		w.inAir = keep
		if !w.plc.stopped {
			w.plc.tick += uint32(s/(10*time.Millisecond)) - 2
		}
		w.plc.scan()
		w.ghost.check()
	}
}

// poll is one interval of the shell: time passes, the wire comes back if it
// can, the tick comes.
func (w *world) poll() {
	w.pass(100 * time.Millisecond)
	if w.dead {
		return
	}
	if !w.linked && w.wanted {
		w.linked = true
		w.feed(LinkUp{})
		return
	}
	w.feed(Tick{})
}

func (w *world) fail(format string, args ...any) {
	w.t.Helper()
	w.t.Fatalf("at %v: "+format, append([]any{w.mono}, args...)...)
}

func nameOf(words []uint16, offerAt int) record.OfferName {
	return record.OfferName{Session: handshake.Session{Epoch: long(words, 2), Nonce: long(words, 4)}, Offer: words[offerAt]}
}

func (w *world) describe() string {
	return fmt.Sprintf("state %s, phase %d, roll %d, produced %d, acked %d", w.m.state, w.plc.phase, w.plc.roll, w.plc.produced, w.plc.acked)
}
