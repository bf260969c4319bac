package linktest

import (
	"context"
	"slices"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// deadline is short where only the end of the context can end the call.
func deadline(f Fault) time.Duration {
	if f == BlackHole || f == Late {
		return impatience
	}
	return patience
}

// met is a call that a fault befell.
type met struct {
	ctx    context.Context
	port   link.Port
	before int // requests before it
	err    error
}

// meet makes a call on a new port for a fault to befall. Where only the deadline ends the
// call and the machine was too busy to send anything before it, the call is made anew with
// more time; the port says that nothing was sent, or that it does not know.
func meet(t *testing.T, h *Harness, f Fault, call func(context.Context, link.Port) error) met {
	t.Helper()
	for wait := deadline(f); ; wait *= 2 {
		m := met{port: dial(t, h)}
		m.ctx = bounded(t, wait)
		h.Play(f)
		m.before = h.Requests()
		m.err = call(m.ctx, m.port)
		if wait >= patience || h.Requests() > m.before {
			return m
		}
		end, _ := m.ctx.Deadline()
		switch class := link.ClassOf(m.err); {
		case time.Now().Before(end) || class != link.Down && class != link.Unknown:
			t.Fatalf("nothing was sent: got %v, want down or unknown by the deadline", m.err)
		case class == link.Unknown && comes(h, m.before):
			return m
		}
		h.Play("")
		_ = m.port.Close()
	}
}

// comes reports whether a request of which a port does not know whether it was sent reaches
// the controller. What was sent just before the deadline may be read after it.
func comes(h *Harness, before int) bool {
	const longest = 10 * time.Second // on any machine
	for end := time.Now().Add(longest); h.Requests() == before; <-time.After(time.Millisecond) {
		if time.Now().After(end) {
			return false
		}
	}
	return true
}

func readFault(t *testing.T, h *Harness, o outcome) {
	want := pattern(handshake.REQ, 0, 2)
	h.Store(handshake.REQ, 0, want)
	s := span(handshake.REQ, 0)
	m := meet(t, h, o.fault, func(ctx context.Context, p link.Port) error { return p.Read(ctx, s) })
	judge(t, h, o, o.read, &m)
	if m.err == nil && !slices.Equal(s.Dst, want) {
		t.Errorf("got %04X\nwant %04X", s.Dst, want)
	}
}

func writeFault(t *testing.T, h *Harness, o outcome) {
	p := dial(t, h)
	old := written(t, handshake.PAYLOAD, 7)
	if err := p.Write(bounded(t, patience), handshake.PAYLOAD, old); err != nil {
		t.Fatal(err)
	}
	_ = p.Close()
	fresh := written(t, handshake.PAYLOAD, 8)
	m := meet(t, h, o.fault, func(ctx context.Context, p link.Port) error { return p.Write(ctx, handshake.PAYLOAD, fresh) })
	judge(t, h, o, o.write, &m)
	got := make([]uint16, handshake.PayloadWords)
	h.Load(handshake.PAYLOAD, 0, got)
	switch isOld, isNew := slices.Equal(got, old), slices.Equal(got, fresh); {
	case h.Singly && m.err != nil:
		if !isOld && handshake.Verify(handshake.PAYLOAD, got) == nil {
			t.Errorf("half a write passes for a whole one: %04X", got)
		}
	case o.landed == yes && !isNew:
		t.Errorf("the write did not land: %04X", got)
	case o.landed == no && !isOld:
		t.Errorf("the write landed: %04X", got)
	case !isOld && !isNew:
		t.Errorf("half a write landed: %04X", got)
	}
}

// judge checks the class, that nothing was tried twice, and what can be done
// with the port afterwards.
func judge(t *testing.T, h *Harness, o outcome, want []link.Class, m *met) {
	t.Helper()
	p, err := m.port, m.err
	class := link.ClassOf(err)
	if !slices.Contains(want, class) || (err == nil) != (class == 0) {
		t.Fatalf("got %v (class %v), want one of %v", err, class, want)
	}
	if sent := h.Requests() - m.before; err != nil && sent > 1 {
		t.Errorf("%d requests were sent, want at most 1: nothing is tried again behind the caller's back", sent)
	}
	if end, _ := m.ctx.Deadline(); deadline(o.fault) == impatience && time.Now().Before(end) {
		t.Errorf("the call gave up before its deadline: %v", err)
	}
	s := span(handshake.REQ, 0)
	if class == 0 || class.Answered() {
		if err := p.Read(bounded(t, patience), s); err != nil {
			t.Errorf("the port does not work any more: %v", err)
		}
		return
	}
	before := h.Requests()
	if err := p.Read(bounded(t, patience), s); link.ClassOf(err) != link.Down {
		t.Errorf("the next read on a dead port: got %v, want down", err)
	}
	if sent := h.Requests() - before; sent != 0 {
		t.Errorf("a dead port sent %d requests", sent)
	}
	if err := p.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
	if err := dial(t, h).Read(bounded(t, patience), s); err != nil {
		t.Errorf("a new port does not work: %v", err)
	}
}
