package conform_test

import (
	"context"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"lapgate/gateway/conform"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
	"lapgate/gateway/record"
	"lapgate/sim/controller"
	server "lapgate/sim/modbus"
)

// proveOverSockets proves a rig behind a Modbus server, with a journal on disk.
func proveOverSockets(t *testing.T, r *rig, only ...string) *conform.Report {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	defer done.Wait()
	defer cancel()
	done.Go(func() { r.run(ctx) })
	srv, err := server.Listen(ctx, "127.0.0.1:0", 1, r.image, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = srv.Close() }()
	bases := map[handshake.ID]int{}
	at := r.image.Bases()
	for id, base := range map[handshake.ID]uint16{
		handshake.REQ: at.Req, handshake.OUT: at.Out, handshake.HEARTBEAT: at.Heartbeat, handshake.HELLO: at.Hello,
		handshake.PAYLOAD: at.Payload, handshake.COMMIT: at.Commit, handshake.ACK: at.Ack, handshake.LIMITS: at.Limits,
	} {
		bases[id] = int(base)
	}
	layout, err := link.NewLayout(bases)
	if err != nil {
		t.Fatal(err)
	}
	dialer, err := modbus.NewTCP(srv.Addr(), modbus.Config{Unit: 1, Layout: layout, Limits: link.Limits{Read: 125, Write: 123}, Timeout: 10 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "north.db")
	j, err := journal.Open(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	s := settings(r)
	s.Only, s.Address = only, srv.Addr()
	s.RequestTimeout, s.Reaction, s.ActLimit = 10*time.Second, 30*time.Second, 30*time.Second
	n := uint32(0)
	report, err := conform.Run(ctx, s, conform.Outside{
		Dialer: dialer, Type: typed("north", conform.LockedOut), Act: r.act, See: r.see,
		Journal: func(ctx context.Context, rec record.Record) error { _, err := j.Append(ctx, rec); return err },
		Random:  func() uint32 { n += 0x9E3779B9; return n },
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	verified, err := journal.Verify(ctx, path)
	if err != nil || !verified.OK() {
		t.Errorf("the journal of the proof: %+v, %v", verified, err)
	}
	return report
}

// slowRig takes its time, so that a machine that is busy does not fail a case.
func slowRig(broken controller.Rule) *rig {
	r := newRig(broken, maintenance)
	r.cfg.CommitTTL, r.cfg.HeartbeatLoss = 20*time.Second, 4*time.Second
	r.c = controller.Start(r.cfg, controller.Fresh(), r.clock)
	return r
}

// Over sockets a sound controller passes, and one that breaks a rule is named, by
// the same cases.
func TestOverSockets(t *testing.T) {
	t.Parallel()
	for _, r := range proveOverSockets(t, slowRig(""), "hello-adopted", "check-offer", "check-hold", "measured-again", "motion-accepted", "restart-run-same", "memory-lost").Results {
		if r.Outcome != conform.Passed {
			t.Errorf("%s: %s: %s", r.Case, r.Outcome, r.Why)
		}
	}
}

func TestBrokenOverSockets(t *testing.T) {
	t.Parallel()
	for _, r := range proveOverSockets(t, slowRig(controller.RuleJudgeRoll), "check-offer", "check-roll").Results {
		if want := map[string]conform.Outcome{"check-offer": conform.Failed, "check-roll": conform.Passed}[r.Case]; r.Outcome != want {
			t.Errorf("%s: %s, want %s: %s", r.Case, r.Outcome, want, r.Why)
		}
	}
}
