package virtual

import (
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

var (
	written  = []handshake.ID{handshake.HEARTBEAT, handshake.HELLO, handshake.PAYLOAD, handshake.COMMIT, handshake.ACK}
	readable = []handshake.ID{handshake.REQ, handshake.PAYLOAD, handshake.OUT}
)

const falseView = "false-view"

// disturbances are the kinds of fault and event, by the word that a trace has for
// them.
var disturbances = map[string]disturbance{
	// The daemon.
	"kill":          {share: 3, do: func(w *world, _ *step) { w.mu.Lock(); w.count("kill"); w.kill(); w.mu.Unlock() }},
	"kill-before":   {share: 2, n: len(points), do: func(w *world, s *step) { w.light(s.N, false) }},
	"kill-after":    {share: 2, n: len(points), do: func(w *world, s *step) { w.light(s.N, true) }},
	"stop":          {share: 1, do: (*world).askToStop},
	"journal-fails": {share: 1, do: func(w *world, _ *step) { w.mu.Lock(); w.fullDisk = true; w.mu.Unlock() }},

	// The link.
	"link-cut":      {share: 6, low: time.Second, high: 2 * time.Minute, do: func(w *world, s *step) { w.isolate(s, &w.cut) }},
	"black-hole":    {share: 4, low: time.Second, high: time.Minute, do: func(w *world, s *step) { w.isolate(s, &w.black) }},
	"write-lost":    {share: 5, n: len(written), do: func(w *world, s *step) { w.arm(s, "write", written) }},
	"write-unknown": {share: 5, n: len(written), do: func(w *world, s *step) { w.arm(s, "write", written) }},
	"write-late":    {share: 5, n: len(written), low: time.Second, high: 30 * time.Second, do: func(w *world, s *step) { w.arm(s, "write", written) }},
	"write-refused": {share: 4, n: len(written), do: func(w *world, s *step) { w.arm(s, "write", written) }},
	"write-slow":    {share: 5, n: len(written), low: 10 * time.Millisecond, high: 450 * time.Millisecond, do: func(w *world, s *step) { w.arm(s, "write", written) }},
	"read-lost":     {share: 3, n: len(readable), do: func(w *world, s *step) { w.arm(s, "read", readable) }},
	"read-refused":  {share: 3, n: len(readable), do: func(w *world, s *step) { w.arm(s, "read", readable) }},
	"read-torn":     {share: 5, n: len(readable), do: func(w *world, s *step) { w.arm(s, "read", readable) }},
	"read-slow":     {share: 4, n: len(readable), low: 10 * time.Millisecond, high: 450 * time.Millisecond, do: func(w *world, s *step) { w.arm(s, "read", readable) }},

	// The registers.
	"swallowed": {share: 5, n: len(written), do: func(w *world, s *step) { w.arm(s, "write", written) }},
	"garbled":   {share: 5, n: len(written), do: func(w *world, s *step) { w.arm(s, "write", written) }},
	"relanded":  {share: 5, n: len(written), do: (*world).reland},
	falseView:   {share: 6, n: len(lies), do: func(w *world, s *step) { w.arm(s, "read", readable[:1]) }},

	// The controller.
	"restart":         {share: 4, low: time.Second, high: time.Minute, do: func(w *world, s *step) { w.power(s, false, false) }},
	"restart-cleared": {share: 3, low: time.Second, high: time.Minute, do: func(w *world, s *step) { w.power(s, true, false) }},
	"memory-lost":     {share: 1, low: time.Second, high: time.Minute, do: func(w *world, s *step) { w.power(s, true, true) }},
	"other-roll":      {share: 2, low: time.Second, high: time.Minute, do: func(w *world, s *step) { w.station.same = false; w.power(s, false, false) }},
	"stands":          {share: 3, low: time.Second, high: time.Minute, do: (*world).stand},
	"result-lags":     {share: 6, n: 10, low: time.Minute, high: 10 * time.Minute, do: (*world).lagBehind},

	// The line.
	"rescan":               {share: 6, do: (*world).surprise},
	"manual":               {share: 4, do: (*world).surprise},
	"remove":               {share: 4, do: (*world).surprise},
	"abort":                {share: 3, do: (*world).surprise},
	"taken-in-run":         {share: 3, do: (*world).surprise},
	"permissive-at-commit": {share: 4, do: (*world).surpriseAtCommit},
	"echo-at-commit":       {share: 4, do: (*world).surpriseAtCommit},
	"rescan-at-commit":     {share: 4, do: (*world).surpriseAtCommit},
	"permissive-off":       {share: 5, low: time.Second, high: time.Minute, do: (*world).permissiveOff},
	"outage":               {share: 1, low: 20 * time.Minute, high: 130 * time.Minute, do: (*world).outage},
}

func (w *world) light(n int, after bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fuse = &fuse{points[n%len(points)], after}
}

func (w *world) askToStop(*step) {
	select {
	case w.stop <- struct{}{}:
		w.mu.Lock()
		w.count("stop")
		w.mu.Unlock()
	default:
	}
}

func (w *world) isolate(s *step, until *time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	*until = max(*until, w.station.now()+time.Duration(s.For))
	w.count(s.What)
}

// arm readies a fault of the next calls to one of some blocks.
func (w *world) arm(s *step, op string, blocks []handshake.ID) {
	w.mu.Lock()
	defer w.mu.Unlock()
	times := 1 + s.N%3
	if s.What == falseView {
		times = 1
	}
	w.armed = append(w.armed, armed{s.What, op, blocks[s.N%len(blocks)], times, s.N, time.Duration(s.For)})
}

// reland writes what stood in a block before its newest write once more, as a copy
// that was held up does.
func (w *world) reland(s *step) {
	id := written[s.N%len(written)]
	w.mu.Lock()
	words := w.earlier[id]
	if words != nil {
		w.count(s.What)
	}
	w.mu.Unlock()
	if words != nil {
		w.dialer.Image.Store(id, 0, words)
	}
}

func (w *world) land(now time.Duration) {
	w.mu.Lock()
	due := w.landing != 0 && now >= w.landing
	if due {
		w.landing = 0
	}
	w.mu.Unlock()
	if due {
		w.dialer.Image.Land()
	}
}

func (w *world) happened(s *step) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.count(s.What)
}

func (w *world) power(s *step, cleared, lost bool) {
	if w.station.down != 0 {
		return
	}
	w.station.power(time.Duration(s.For), cleared, lost)
	w.happened(s)
}

func (w *world) stand(s *step) {
	if w.station.down != 0 {
		return
	}
	w.station.down, w.station.frozen = w.station.now()+time.Duration(s.For), true
	w.happened(s)
}

func (w *world) lagBehind(s *step) {
	w.station.lag, w.station.lagEnd = 1+s.N%10, w.station.now()+time.Duration(s.For)
	w.happened(s)
}

// surprise waits for a roll: one that waits is met seldom, so it comes to the next,
// right after its request.
func (w *world) surprise(s *step) { w.station.surprise = s.What }

func (w *world) surpriseAtCommit(s *step) { w.station.atCommit = s.What }

func (w *world) permissiveOff(s *step) {
	w.station.offEnd = w.station.now() + time.Duration(s.For)
	w.happened(s)
}

// outage is a long time without a gateway, in which the line goes on by hand and the
// ring overflows.
func (w *world) outage(s *step) {
	w.isolate(s, &w.cut)
	w.station.hand = w.station.now() + time.Duration(s.For)
}

// before decides what happens to a call of the link.
func (w *world) before(c memory.Call) memory.Fault {
	var earlier []uint16
	if c.Op == "write" {
		earlier = make([]uint16, handshake.Words(c.Block))
		w.dialer.Image.Load(c.Block, 0, earlier)
	}
	f, act := w.decide(c, earlier)
	if act != nil {
		act()
	}
	return f
}

func (w *world) decide(c memory.Call, earlier []uint16) (f memory.Fault, act func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.undo = nil
	now := w.station.now()
	switch {
	case w.life.dead, c.Op == "write" && w.burns(c.Block.String(), false), now < w.cut:
		return memory.Fault{Kind: memory.Cut}, nil
	case now < w.black:
		return memory.Fault{Kind: memory.BlackHole}, nil
	case c.Op == "dial":
		return memory.Fault{}, nil
	}
	i := slices.IndexFunc(w.armed, func(a armed) bool {
		// Two false blocks do not say the same one after the other.
		return a.op == c.Op && a.block == c.Block && (a.what != falseView || now-w.lied > 2*time.Second)
	})
	if i < 0 {
		if c.Op == "write" {
			w.earlier[c.Block] = earlier
		}
		return memory.Fault{}, nil
	}
	a := w.armed[i]
	if w.armed[i].left--; w.armed[i].left == 0 {
		w.armed = slices.Delete(w.armed, i, i+1)
	}
	w.count(a.what)
	return w.play(&a, earlier)
}

// play is what an armed fault does to its call.
func (w *world) play(a *armed, earlier []uint16) (memory.Fault, func()) {
	image := w.dialer.Image
	switch a.what {
	case "write-lost", "read-lost":
		return memory.Fault{Kind: memory.Lost}, nil
	case "write-unknown":
		return memory.Fault{Kind: memory.Landed}, nil
	case "write-late":
		w.landing = w.station.now() + a.delay
		return memory.Fault{Kind: memory.Late}, nil
	case "write-refused", "read-refused":
		return memory.Fault{Kind: memory.Refuse}, nil
	case "write-slow", "read-slow":
		return memory.Fault{Delay: a.delay + 137*time.Microsecond}, nil
	case "read-torn":
		return memory.Fault{Kind: memory.Torn, At: 17, Between: w.scanBetween}, nil
	case "swallowed":
		w.undo = func() { image.Store(a.block, 0, earlier) }
	case "garbled":
		w.undo = func() {
			image.Lock()
			words := image.Words(a.block, 0)
			words[len(words)/2] ^= 0x0100
			image.Unlock()
		}
	case falseView:
		w.lied = w.station.now()
		return memory.Fault{}, func() { w.lie(a.n) }
	}
	return memory.Fault{}, nil
}

func (w *world) scanBetween() {
	w.station.mu.Lock()
	defer w.station.mu.Unlock()
	w.station.scan()
}

// after is called when a call was carried out.
func (w *world) after(c memory.Call) {
	w.mu.Lock()
	undo := w.undo
	w.undo = nil
	if c.Op == "write" {
		w.burns(c.Block.String(), true)
	}
	w.mu.Unlock()
	if undo != nil {
		undo()
	}
}

// lies are what a request block may say although it is not so, once.
var lies = []func(registers.View){
	func(v registers.View) { v.Put("outcomes_produced", v.Get("outcomes_produced")+70) },
	func(v registers.View) { v.Put("outcomes_acknowledged", v.Get("outcomes_produced")+3) },
	func(v registers.View) { v.Put("roll_no", v.Get("roll_no")-min(9, v.Get("roll_no"))) },
	func(v registers.View) { v.Put("roll_no", v.Get("roll_no")+2) },
	func(v registers.View) { v.Put("boot_id", v.Get("boot_id")-1) },
	func(v registers.View) { v.Put("boot_id", v.Get("boot_id")+1) },
	func(v registers.View) { v.Put("epoch_floor", v.Get("epoch_floor")/2) },
	func(v registers.View) { v.Put("epoch_floor", v.Get("epoch_floor")+1) },
	func(v registers.View) { v.Put("flags", v.Get("flags")|controller.FlagMemoryLost) },
}

// lie shows a whole and false request block to one read.
func (w *world) lie(n int) {
	image := w.dialer.Image
	image.Lock()
	words := image.Words(handshake.REQ, 0)
	truth := slices.Clone(words)
	if v := registers.In(registers.Request, words); v.Whole() {
		lies[n%len(lies)](v)
		v.Seal()
	}
	image.Unlock()
	w.mu.Lock()
	w.undo = func() { image.Store(handshake.REQ, 0, truth) }
	w.mu.Unlock()
}
