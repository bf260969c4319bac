package main

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	bare "github.com/goburrow/modbus"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/sim/controller"
	"lapgate/sim/modbus"
	"lapgate/sim/registers"
)

// step is one thing done for a roll: a read of count registers, a write of words, or a record.
type step struct {
	addr, count uint16
	words       []byte
	stored      record.Record
	body        string // of the record
}

// delivery is what was done for one roll, from the read that showed its request to the write of
// its commit.
type delivery struct {
	steps []step
	took  time.Duration // from the answer of the one to the end of the other
}

// watched tells the delivery of each roll by what its registers are asked.
type watched struct {
	*controller.Image
	begins func(words []uint16) bool // whether a read of the request block begins one
	done   chan delivery

	mu    sync.Mutex
	on    bool
	begun time.Time
	steps []step
}

func (w *watched) note(s step) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.on {
		w.steps = append(w.steps, s)
	}
}

// Read begins a delivery, or notes a read of one.
func (w *watched) Read(addr uint16, count int) ([]uint16, error) {
	words, err := w.Image.Read(addr, count)
	w.mu.Lock()
	if err == nil && !w.on && addr == w.Bases().Req && count == registers.RequestWords && w.begins(words) {
		w.on, w.steps, w.begun = true, nil, time.Now()
	}
	w.mu.Unlock()
	w.note(step{addr: addr, count: uint16(count)})
	return words, err
}

// Write notes a write; that of the commit ends the delivery.
func (w *watched) Write(addr uint16, words []uint16) error {
	err := w.Image.Write(addr, words)
	ended := time.Now()
	s := step{addr: addr, count: uint16(len(words))}
	for _, v := range words {
		s.words = binary.BigEndian.AppendUint16(s.words, v)
	}
	w.note(s)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.on && addr == w.Bases().Commit {
		w.on = false
		w.done <- delivery{w.steps, ended.Sub(w.begun)}
	}
	return err
}

// watch serves an image at rest over Modbus TCP.
func watch(ctx context.Context, begins func([]uint16) bool) (*watched, string, error) {
	w := &watched{Image: controller.NewImage(controller.DefaultBases()), begins: begins, done: make(chan delivery, 1)}
	s, err := modbus.Listen(ctx, "127.0.0.1:0", 1, w, nil)
	if err != nil {
		return nil, "", err
	}
	context.AfterFunc(ctx, func() { _ = s.Close() })
	return w, s.Addr(), nil
}

// reference does deliveries again with the bare library and bare SQLite.
type reference struct {
	registers *watched
	handler   *bare.TCPClientHandler
	client    bare.Client
	table     *bareTable
}

func newReference(ctx context.Context, path string) (*reference, error) {
	w, address, err := watch(ctx, func([]uint16) bool { return true })
	if err != nil {
		return nil, err
	}
	h := bare.NewTCPClientHandler(address)
	h.SlaveId, h.Timeout, h.IdleTimeout = 1, time.Second, 0
	if err := h.Connect(); err != nil {
		return nil, err
	}
	table, err := openBare(ctx, path, true)
	if err != nil {
		return nil, errors.Join(err, h.Close())
	}
	return &reference{w, h, bare.NewClient(h), table}, nil
}

// do repeats a delivery and returns its time, taken as that of the line is.
func (r *reference) do(ctx context.Context, d delivery) (time.Duration, error) {
	for i := range d.steps {
		if s := &d.steps[i]; s.stored != nil {
			body, err := record.Marshal(s.stored)
			if err != nil {
				return 0, err
			}
			s.body = string(body)
		}
	}
	for _, s := range d.steps {
		var err error
		switch {
		case s.stored != nil:
			err = r.table.append(ctx, string(s.stored.Kind()), s.stored.RollNo(), s.body)
		case s.words != nil:
			_, err = r.client.WriteMultipleRegisters(s.addr, s.count, s.words)
		default:
			_, err = r.client.ReadHoldingRegisters(s.addr, s.count)
		}
		if err != nil {
			return 0, err
		}
	}
	return (<-r.registers.done).took, nil
}

// serveWatched serves the demo's line over watched registers, until ctx ends.
func serveWatched(ctx context.Context, dir string) (w *watched, ended chan error, err error) {
	newest := uint32(0)
	w, address, err := watch(ctx, func(words []uint16) bool {
		v := registers.In(registers.Request, words)
		another := controller.Phase(v.Get("phase")) == controller.PhaseAwait && v.Get("roll_no") != newest
		if another {
			newest = v.Get("roll_no")
		}
		return another
	})
	if err != nil {
		return nil, nil, err
	}
	demo := strings.ReplaceAll(string(configs.Demo()), "127.0.0.1:1502", address)
	s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: []byte(demo), Set: map[string]string{"journal.directory": dir, "journal.least_free": "0"}})
	if err != nil {
		return nil, nil, err
	}
	dialers := &connect.Dialers{Lookup: os.LookupEnv}
	journal, err := gateway.OpenJournals(s)(ctx, s.Lines[0].Recipe.Name)
	if err != nil {
		return nil, nil, err
	}
	g, err := gateway.New(gateway.Options{
		Snapshot: s, Arm: &gateway.Act{By: "performance", Reason: "a controller of the same program"},
		OpenJournal: func(context.Context, string) (gateway.Journal, error) { return journal, nil },
		Dialer:      func(l *config.Line) (link.Dialer, error) { return dialers.Of(l, func(link.Warning) {}) },
		OnRecord:    func(_ string, r record.Stored) { w.note(step{stored: r.Record}) },
	})
	if err != nil {
		return nil, nil, err
	}
	ended = make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	return w, ended, nil
}

// requestToCommit measures what the controller waits for: from the poll that shows a request to
// the commit in its registers, with the records in between made durable.
func requestToCommit(ctx context.Context, b *bench) (rows []row, err error) {
	ctx, cancel := context.WithCancel(ctx)
	w, ended, err := serveWatched(ctx, filepath.Join(b.dir, "request"))
	if err != nil {
		cancel()
		return nil, err
	}
	defer func() { cancel(); err = errors.Join(err, <-ended) }()
	// The journal comes first: it sets what memory SQLite takes in this process.
	reference, err := newReference(ctx, filepath.Join(b.dir, "reference.db"))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, reference.handler.Close(), reference.table.close()) }()

	conf := controller.DefaultConfig()
	conf.GoneTime = 50 * time.Millisecond
	program := controller.Start(conf, controller.Fresh(), 1)
	var ours, theirs []time.Duration
	const rolls, each = 200, 600 * time.Millisecond
	begun, ticker := time.Now(), time.NewTicker(controller.Tick)
	defer ticker.Stop()
	for len(theirs) < rolls {
		<-ticker.C
		in := &controller.Inputs{Permissives: 0x3F, Mode: 1, State: 6, SlotsReady: 0x3F, SlotOuter: [6]uint16{900, 900, 900, 900, 900, 900}, Platen: 1767, PlatenHot: 1767}
		tick := uint32(time.Since(begun) / controller.Tick)
		if time.Since(begun) > rolls*each || program.Phase() == controller.PhaseHeld {
			return nil, fmt.Errorf("roll %d of %d is not wrapped: %s", program.RollNo(), rolls, program.Phase())
		}
		produced, acked := program.Outcomes()
		switch in.RollPresent = program.Phase() != controller.PhaseEmpty; {
		case program.Phase() == controller.PhaseRun:
			in.Done = &controller.Used{Start: tick, End: tick}
		case program.Clear() && program.Alive() && produced == acked:
			if produced > 0 { // the line is at rest
				d := <-w.done
				took, err := reference.do(ctx, d)
				if err != nil {
					return nil, err
				}
				ours, theirs = append(ours, d.took), append(theirs, took)
			}
			in.Enter, in.RollPresent = waiting(program.RollNo(), tick), true
		}
		area := w.Copy()
		program.Scan(tick, &area, in)
		w.Publish(program)
	}
	mine, its := median(ours), median(theirs)
	return []row{{"request visible to commit written, the journal in between, over the bare library with bare SQLite",
		fmt.Sprintf("%.2f (%d over %d µs)", float64(mine)/float64(its), mine.Microseconds(), its.Microseconds()), "≤ 1.05",
		fmt.Sprintf("medians of %d rolls in turns, the same requests and records in one process", rolls)}}, nil
}

// waiting is a roll that the demo's line wraps.
func waiting(n, tick uint32) *controller.Measurement {
	width := uint16(8128 + n%3*2032)
	return &controller.Measurement{
		Tag: controller.TagOf(fmt.Sprintf("R-%d", n)), Diameter: 11000, Width: uint32(width), Grade: 1, Core: 1, Quality: 95, Valid: true, Tick: tick,
		DiameterN: 12, Diameters: [12]uint16(slices.Repeat([]uint16{11000}, 12)), WidthN: 8, Widths: [8]uint16(slices.Repeat([]uint16{width}, 8)),
	}
}
