package cycle

import (
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

var (
	sequences = flag.Int("sequences", 0, "random sequences of TestRandom; 0 is 4000, or 400 with -short")
	firstSeed = flag.Uint64("seed", 1, "first seed of TestRandom")
	showTrace = flag.Bool("show", false, "print the trace of a failed sequence")
)

const stepsOfSequence = 60

// TestRandom drives the machine and the stand-in through random histories with
// every fault that the handshake assumes, holds S1 to S10 after each step, and
// L1 and L2 once the faults end.
func TestRandom(t *testing.T) {
	const shards = 4
	count := *sequences
	switch {
	case count > 0:
	case testing.Short():
		count = 400
	default:
		count = 4000
	}
	var mu sync.Mutex
	total := map[string]int{}
	t.Run("shards", func(t *testing.T) {
		for shard := range shards {
			t.Run(fmt.Sprint(shard), func(t *testing.T) {
				t.Parallel()
				sums := map[string]int{}
				for i := shard; i < count; i += shards {
					for k, n := range sequence(t, *firstSeed+uint64(i)) {
						sums[k] += n
					}
					if t.Failed() {
						return
					}
				}
				mu.Lock()
				defer mu.Unlock()
				for k, n := range sums {
					total[k] += n
				}
			})
		}
	})
	if t.Failed() {
		return
	}
	for _, k := range slices.Sorted(maps.Keys(total)) {
		t.Logf("%-36s %d", k, total[k])
	}
	// A run that carried nothing proves nothing.
	for k, least := range map[string]int{
		"accepted": 2000, "held": 500, "outcome": 3000, "acknowledged": 3000, "adopted": 4000, "crash": 2000,
		"fault/link": 2000, "fault/late": 300, "fault/twice": 300, "fault/swallowed": 300, "fault/torn write": 300,
		"fault/torn read": 300, "fault/garbled": 100, "fault/slow": 300, "notify/offer-unanswered": 15, "fault/refused": 300, "gap": 100,
		"record/OVERRIDE": 50, "record/SHADOW": 50, "record/VOID": 300, "record/VERDICT": 2000,
		"counted": 500, "event/rescan": 300, "event/manual": 100, "event/remove": 100, "event/restart": 300, "event/memory lost": 50,
		"event/other gateway": 30, "event/backup": 30, "event/ring": 20, "event/stop": 50,
		"decided again": 4000, "history/operations": 100000, "history/offers": 6000, "history/unknown": 100, "carried over": 500, "results that lag": 1000, "notify/result-lags": 200, "fault/false view": 500, "event/hang": 200, "record/HUNG": 200, "record/STATION": 100, "notify/view-false": 300,
	} {
		if want := least * count / 2000; total[k] < want {
			t.Errorf("%s: %d in %d sequences, want at least %d", k, total[k], count, want)
		}
	}
}

// sequence runs one seed and returns what happened in it.
func sequence(t *testing.T, seed uint64) map[string]int {
	w := newWorld(t)
	s := &script{w: w}
	if *showTrace {
		w.onEvent = s.trace
	}
	defer func() {
		if t.Failed() {
			t.Logf("repeat with -seed %d -sequences 1 -show\n%s", seed, s.out.String())
		}
	}()
	w.rng = rand.New(rand.NewPCG(seed, 7))
	r := w.rng
	w.stored = seed%8 == 0
	w.plc.slow = r.IntN(3) == 0
	if seed%2 == 0 {
		w.plc.lag, w.plc.lagPhase, w.plc.noVerdict = int(seed/2%11), seed%3 == 0, seed%5 == 0
		w.stats["results that lag"]++
	}
	if seed%4 != 0 {
		w.plc.used = uint32(1+seed%12) * 10000
	}
	// Epochs stay in order over a loss of memory only if nobody else opened
	// sessions and the journal was not set back: a history has the one or the
	// other.
	forgetful := r.IntN(2) == 0
	calm := 2 + r.IntN(6)
	for range stepsOfSequence {
		if r.IntN(calm) == 0 {
			w.disturb(forgetful)
		}
		w.operate()
		for range 1 + r.IntN(3) {
			w.poll()
		}
		if w.dead && r.IntN(4) == 0 {
			w.crash()
		}
	}
	w.settleDown()
	w.decideAgain()
	w.told.check()
	return w.stats
}

// decideAgain holds that what the journal tells is all that each decision in
// it rests on.
func (w *world) decideAgain() {
	var h record.History
	var rolls []*record.Roll
	for i, r := range w.log {
		finished, err := h.Add(record.Stored{Seq: uint64(i + 1), Record: r})
		if err != nil {
			w.fail("%v", err)
		}
		rolls = append(rolls, finished...)
	}
	for _, roll := range append(rolls, h.Rest()...) {
		for i := range roll.Rounds {
			r := &roll.Rounds[i]
			words, findings, ok := r.Decided()
			if !ok {
				continue
			}
			var p handshake.Payload
			if err := handshake.DecodePayload(words, &p); err != nil {
				w.fail("roll %d: %v", roll.Number, err)
			}
			d := Decide(w.lines[p.ConfigHash], &r.Request, &r.Basis, r.Override)
			d.Payload.Session, d.Payload.Offer, d.Payload.ConfigHash = p.Session, p.Offer, p.ConfigHash
			if d.Payload != p || len(findings)+len(d.Findings) > 0 && !reflect.DeepEqual(findings, d.Findings) {
				w.fail("roll %d: decided again\n%+v\n%+v\nrecorded\n%+v\n%+v", roll.Number, d.Payload, d.Findings, p, findings)
			}
			w.stats["decided again"]++
		}
	}
}

func (w *world) happened(what string, ok bool) {
	if ok {
		w.stats["event/"+what]++
	}
}

// operate is what happens on a line anyway.
func (w *world) operate() {
	r, p := w.rng, w.plc
	switch r.IntN(29) {
	case 0, 1, 2, 3, 4, 5:
		w.happened("arrive", p.arrive(9000+uint32(r.IntN(6000)), 13000+uint32(r.IntN(7000)), fmt.Sprintf("R-%d", r.IntN(1e6))))
	case 6, 7, 8, 9:
		w.happened("finish", p.finish())
	case 10:
		w.happened("rescan", p.rescan(9000+uint32(r.IntN(6000))))
	case 11:
		w.happened("manual", r.IntN(2) == 0 && p.manual())
	case 12:
		w.happened("remove", r.IntN(2) == 0 && p.remove())
	case 13, 14:
		w.happened("retry", p.retry())
	case 15:
		p.perms ^= 1 << r.IntN(12) & plcPerms
	case 16, 23:
		p.perms, p.quality, p.dimsOK = plcPerms, 98, true
	case 17:
		p.quality, p.dimsOK, p.age = uint16(60+r.IntN(40)), r.IntN(8) != 0, uint16(r.IntN(14000))
	case 18:
		p.limit = uint16([]int{0, 0, 0, 61, 12, 99}[r.IntN(6)])
	case 19:
		w.feed(HoldAll{On: r.IntN(3) == 0, By: "ola", Reason: "test"})
	case 20:
		on := r.IntN(3) != 0
		w.conf.Armed = on
		w.feed(Arm{On: on, By: "kim", Reason: "test"})
	case 21, 28:
		changes := map[string]float64{"crimp_turns": 1.25 - r.Float64()/4}
		if names := Overridable(); r.IntN(2) == 0 {
			changes[names[r.IntN(len(names))]] = float64(r.IntN(20))
		}
		w.feed(OverrideRoll{Roll: p.roll, By: "kim", Reason: 1, Text: "test", Changes: changes})
	case 22:
		line := testLine()
		line.Materials.Specs[0].Layers = float64(3 + r.IntN(2))
		hash := r.Uint32()
		w.lines[hash] = line
		w.feed(Configure{Line: line, Record: record.Config{Hash: hash}})
	case 24:
		w.hang()
	case 25, 26:
		p.notReady = uint16(r.IntN(8) & r.IntN(8))
		p.confirmed = uint16(r.IntN(4))
	case 27:
		w.feed(SetStation{Station: "header", ByHand: r.IntN(2) == 0, By: "kim"})
	}
}

// hang is a word of a person on a slot, which may be one that is refused.
func (w *world) hang() {
	r := w.rng
	e := HangWrapper{Slot: 1 + r.IntN(3), State: record.Hangs, Width: []float64{1.6, 1.85, 2.1}[r.IntN(3)], Paper: "kraft", By: "kim"}
	switch r.IntN(8) {
	case 0:
		e.State = record.Empty
	case 1:
		e.State = record.OutOfService
	case 2:
		e.State = record.AsBefore
	}
	if e.State != record.Hangs {
		e.Width, e.Paper = 0, ""
	}
	if e.State == record.AsBefore || r.IntN(4) == 0 {
		e.Corrects = w.m.mem.Acts.Hangs
	}
	before := w.m.mem.Acts.Hangs
	w.feed(e)
	w.happened("hang", w.m.mem.Acts.Hangs > before)
}

var (
	sendBlocks = []string{"HEARTBEAT", "HELLO", "PAYLOAD", "COMMIT", "ACK"}
	readBlocks = []string{"REQ", "OUT", "PAYLOAD"}
	points     = []string{"HELLO", "PAYLOAD", "COMMIT", "ACK", "record SESSION", "record REQUEST", "record INTENT",
		"record COMMIT", "record VERDICT", "record VOID", "record OUTCOME", "record GAP", "record MODE", "record OVERRIDE", "record HANG", "record HUNG", "record STATION"}
)

// disturb is one fault, or the conditions for one.
func (w *world) disturb(forgetful bool) {
	r, p, f := w.rng, w.plc, &w.faults
	pick := func(list []string) string { return list[r.IntN(len(list))] }
	times := 1 + r.IntN(3)
	switch r.IntN(24) {
	case 0:
		f.lose[pick(sendBlocks)] = times
	case 1:
		f.late[pick(sendBlocks)] = times
	case 2:
		f.swallow[pick(sendBlocks)] = times + r.IntN(4)
	case 3:
		f.refuse[pick(append(slices.Clone(sendBlocks), readBlocks...))] = times
	case 4:
		f.twice[pick(sendBlocks)] = times
	case 5:
		f.tearWrite[pick(sendBlocks)] = times
	case 6:
		f.garble[pick(sendBlocks)] = times
	case 7:
		f.tearRead[pick(readBlocks)] = times + r.IntN(4)
	case 8:
		f.lose[pick(readBlocks)] = 1
	case 9:
		w.crash()
	case 10, 11:
		w.crashAfter = pick(points)
	case 12, 13:
		w.crashBefore = pick(points)
	case 14:
		if r.IntN(3) == 0 {
			w.failKind = record.Kind(strings.TrimPrefix(pick(points), "record "))
		}
	case 15:
		p.restart(r.IntN(2) == 0, r.IntN(3) != 0)
		w.happened("restart", true)
	case 16:
		w.linked = false
		w.wanted = false
		w.feed(LinkDown{"cable out"})
		w.pass(time.Duration(r.IntN(3000)) * time.Millisecond)
		w.wanted = true
	case 17:
		p.stopped = true
		for range r.IntN(20) {
			w.poll()
		}
		p.restart(r.IntN(2) == 0, true)
		w.happened("stop", true)
	case 18:
		if forgetful {
			w.happened("memory lost", true)
			w.ghost.memoryLost()
			p.lose(217_000_000 + uint32(w.mono/time.Second)*100 + p.boot%97)
			for range r.IntN(6) {
				w.poll()
			}
			p.acknowledge()
			return
		}
		if r.IntN(2) == 0 {
			w.setBack()
			return
		}
		w.happened("other gateway", true)
		h := handshake.Hello{Session: handshake.Session{Epoch: max(p.floor, w.ghost.newest.Epoch, w.m.mem.Epoch) + 1, Nonce: 0xBEEF}, Boot: p.boot}
		if err := h.Encode(p.hello); err != nil {
			w.fail("%v", err)
		}
		w.pass(100 * time.Millisecond)
	case 19:
		switch r.IntN(6) {
		case 0:
			w.overrun()
		case 1:
			f.overtake["OUT"] = 1
		}
	case 20, 21:
		// Two commits are lost and the third lands after the patience of the
		// gateway, but within the patience of the controller.
		f.swallow["COMMIT"], f.slow["COMMIT"] = 2, 1
		return
	case 22:
		f.slow[pick(sendBlocks)] = 1
	case 23:
		f.lie[pick(lies)] = 1
	}
}

// setBack restarts the process on a journal from a backup.
func (w *world) setBack() {
	w.happened("backup", true)
	// Only where the controller still has a roll to tell of: the records of a
	// loss of memory stay, since the loss happened before.
	n := len(w.log) - min(len(w.log), 1+w.rng.IntN(12))
	w.log = slices.Clone(w.log[:n])
	w.told.setBack(n)
	w.crashAfter, w.crashBefore = "", ""
	w.dead = true
	w.crash()
}

// overrun wraps by hand, with nobody acknowledging, more rolls than the ring
// holds.
func (w *world) overrun() {
	p := w.plc
	if p.phase != plcEmpty || p.lost {
		return
	}
	w.linked, w.wanted = false, false
	w.feed(LinkDown{"cable out"})
	w.byHand(60 + w.rng.IntN(40))
	w.wanted = true
}

// rehang has the wrapper of the last roll hung in slot 2, and the header worked as
// configured.
func (w *world) rehang() {
	w.feed(HangWrapper{Slot: 1, State: record.Empty, By: "kim"})
	w.feed(HangWrapper{Slot: 3, State: record.OutOfService, By: "kim"})
	w.feed(HangWrapper{Slot: 2, State: record.Hangs, Width: 1.85, Paper: "kraft", By: "kim"})
	w.feed(SetStation{Station: "header", By: "kim"})
	w.plc.notReady = 0x3F
	w.poll()
	w.plc.notReady, w.plc.confirmed = 0, 2
	w.poll()
}

// settleDown ends all faults, and expects every roll to come to an end.
func (w *world) settleDown() {
	p := w.plc
	w.faults = newFaults()
	w.crashAfter, w.crashBefore, w.failKind = "", "", ""
	w.wanted = true
	p.acknowledge()
	p.perms, p.quality, p.dimsOK, p.limit = plcPerms, 98, true, 0
	if w.dead {
		w.crash()
	}
	w.conf.Armed = true
	w.feed(Arm{On: true, By: "kim", Reason: "end"})
	w.feed(HoldAll{On: false, By: "ola", Reason: "end"})
	retried := uint32(0)
	rest := func() bool {
		return p.phase == plcEmpty && p.acked == p.produced && w.m.mem.Open == nil && w.m.state == StatePoll && len(w.inAir) == 0
	}
	wait := func(what string) {
		for range 900 {
			if rest() {
				return
			}
			w.poll()
			if w.dead {
				w.crash() // a halt asks for a person, who starts the process again
			}
			switch p.phase {
			case plcRun, plcManual:
				p.finish()
			case plcHeld:
				if retried == p.roll {
					p.remove()
				} else {
					retried = p.roll
					p.retry()
				}
			}
		}
		w.fail("L1, L2: %s: nothing more happens: %s", what, w.describe())
	}
	wait("after the faults")
	w.rehang()
	accepted := w.stats["accepted"]
	if !p.arrive(12504, 16020, "last") {
		w.fail("L2: no roll can arrive: %s", w.describe())
	}
	wait("one more roll")
	if w.stats["accepted"] != accepted+1 {
		w.fail("L1: the last roll was not accepted: %s", w.describe())
	}
	w.ghost.everyRoll()
}
