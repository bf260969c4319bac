package main

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/replay/replaytest"
	"lapgate/gateway/scan"
)

// demoSnapshot is the demonstration's configuration with changes.
func demoSnapshot(tb testing.TB) *config.Snapshot {
	tb.Helper()
	s, err := config.Load(config.Source{Path: demoName, Bytes: configs.Demo()})
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

// shadowShift lets the machine of one line look on while n rolls are wrapped,
// and hands every record to keep. after says what the controller used for each
// roll, given what the machine would have offered, which has kind hold for a
// hold.
func shadowShift(tb testing.TB, s *config.Snapshot, n int, seed uint64, after func(i int, p *handshake.Payload, o *handshake.Outcome), keep func(record.Record)) {
	tb.Helper()
	times := cycle.Times{Poll: 100 * time.Millisecond, Heartbeat: 500 * time.Millisecond, Stale: time.Minute, Verdict: 1500 * time.Millisecond}
	m := cycle.New(cycle.Config{Line: s.Lines[0].Recipe, ConfigHash: s.Hash, Times: times})
	random := rand.New(rand.NewPCG(seed, 1))
	req := handshake.Request{
		Boot: 1, Phase: handshake.Await, Flags: handshake.AllPermissives | handshake.GatewayAlive | handshake.DimensionsValid,
		Permissives: 0xFFFFFFFF, Quality: 98, UnitMode: 1, UnitState: 6, SlotsReady: 0x3F, Platen: 1767,
		SlotOuter: [6]uint16{1000, 1000, 1000, 1000, 1000, 1000},
	}
	var out handshake.Outcome
	var ours handshake.Payload
	words := make([]uint16, handshake.ReqWords)
	mono := time.Duration(0)
	var run func(cycle.Event)
	run = func(ev cycle.Event) {
		var answer cycle.Event
		for _, a := range m.Step(cycle.Moment{Mono: mono, Wall: time.Unix(1772400000, 0).Add(mono)}, ev) {
			switch a := a.(type) {
			case cycle.Append:
				keep(a.Record)
				if r, ok := a.Record.(record.Shadow); ok {
					if err := handshake.DecodePayload(r.Payload, &ours); err != nil {
						tb.Fatal(err)
					}
				}
			case cycle.FetchView:
				req.Tick++
				req.GenHead++
				req.GenTail = req.GenHead
				if err := req.Encode(words); err != nil {
					tb.Fatal(err)
				}
				answer = scan.Decode(words)
			case cycle.FetchOutcomes:
				w := make([]uint16, handshake.OutWords)
				if err := out.Encode(w); err != nil {
					tb.Fatal(err)
				}
				if a.From != out.Index || a.N != 1 {
					tb.Fatalf("asked for %d outcomes from %d, want the one of index %d", a.N, a.From, out.Index)
				}
				answer = cycle.Outcomes{Entries: []cycle.OutcomeRead{{Words: w, Outcome: out}}}
			case cycle.Send:
				tb.Fatalf("shadow sends block %s", a.Block)
			case cycle.Halt:
				tb.Fatal(a.Reason)
			}
		}
		if answer != nil {
			run(answer)
		}
	}
	run(cycle.LinkUp{})
	for i := 1; i <= n; i++ {
		mono += time.Minute
		number := uint32(i)
		req.RollNo, req.Req, req.Tag = number, number, handshake.Tag(fmt.Sprintf("S-%06d", i))
		req.Diameter = uint32(9000 + random.IntN(5000))
		req.Width = uint32([]int{7300, 9400, 10500, 12800, 15500, 19000}[random.IntN(6)] + random.IntN(300))
		if random.IntN(20) == 0 {
			req.Width = 14200 // no width of wrapper fits
		}
		req.Grade, req.Core = uint16(1+random.IntN(4)), uint16(1+random.IntN(3))
		req.DiameterN, req.WidthN = 3, 2
		for k := range 3 {
			req.Diameters[k] = uint16(req.Diameter) + uint16(random.IntN(9))
		}
		for k := range 2 {
			req.Widths[k] = uint16(req.Width) + uint16(random.IntN(5))
		}
		run(cycle.Tick{})
		out = handshake.Outcome{Index: number, RollNo: number, Boot: req.Boot, Req: req.Req, Outcome: handshake.WrappedByHand,
			Slot: ours.Slot, FeedLength: ours.FeedLength, Layers: ours.Layers, CrimpTime: ours.CrimpTime,
			Temperature: ours.Temperature, Dwell: ours.Dwell, OuterHead: ours.OuterHead, Overlap: ours.Overlap, Scale: ours.Gross}
		after(i, &ours, &out)
		req.Produced = number
	}
	mono += time.Minute
	req.Phase, req.RollNo = handshake.Empty, uint32(n)
	run(cycle.Tick{})
}

// sameAsOurs leaves an outcome as we would have it.
func sameAsOurs(int, *handshake.Payload, *handshake.Outcome) {}

// shadowJournal is the journal of a shift in shadow.
func shadowJournal(tb testing.TB, dir string, s *config.Snapshot, n int, after func(int, *handshake.Payload, *handshake.Outcome)) string {
	tb.Helper()
	path := filepath.Join(dir, "north.db")
	j, err := journal.Open(tb.Context(), path)
	if err != nil {
		tb.Fatal(err)
	}
	shadowShift(tb, s, n, 7, after, func(r record.Record) {
		if _, err := j.Append(tb.Context(), r); err != nil {
			tb.Fatal(err)
		}
	})
	if err := j.Close(); err != nil {
		tb.Fatal(err)
	}
	if got := replaytest.Same(tb, path, replaytest.Configuration{Hash: s.Hash, Line: s.Lines[0].Recipe}); got != n {
		tb.Errorf("%d rounds were decided again, want %d", got, n)
	}
	return path
}
