package sim

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/sim/controller"
	"lapgate/sim/internal/standin"
)

// socket is a Modbus TCP client of a few lines that dials again after every
// failure.
type socket struct {
	addr string
	conn net.Conn
	id   uint16
}

func (s *socket) call(pdu []byte) ([]byte, error) {
	if s.conn == nil {
		c, err := net.DialTimeout("tcp", s.addr, time.Second)
		if err != nil {
			return nil, err
		}
		s.conn = c
	}
	answer, err := s.exchange(pdu)
	if err != nil {
		_ = s.conn.Close()
		s.conn = nil
	}
	return answer, err
}

func (s *socket) exchange(pdu []byte) ([]byte, error) {
	s.id++
	f := binary.BigEndian.AppendUint16(nil, s.id)
	f = append(f, 0, 0, 0, byte(len(pdu)+1), 1)
	if err := s.conn.SetDeadline(time.Now().Add(gatewayRequestTTL)); err != nil {
		return nil, err
	}
	if _, err := s.conn.Write(append(f, pdu...)); err != nil {
		return nil, err
	}
	h := make([]byte, 7)
	if _, err := io.ReadFull(s.conn, h); err != nil {
		return nil, err
	}
	b := make([]byte, binary.BigEndian.Uint16(h[4:])-1)
	if _, err := io.ReadFull(s.conn, b); err != nil {
		return nil, err
	}
	if binary.BigEndian.Uint16(h) != s.id || b[0] != pdu[0] {
		return nil, fmt.Errorf("answer %d, %02X to request %d, %02X", binary.BigEndian.Uint16(h), b[0], s.id, pdu[0])
	}
	return b, nil
}

func (s *socket) Read(addr uint16, count int) ([]uint16, error) {
	b, err := s.call([]byte{3, byte(addr >> 8), byte(addr), 0, byte(count)})
	if err != nil {
		return nil, err
	}
	if len(b) != 2+2*count {
		return nil, errors.New("short answer")
	}
	w := make([]uint16, count)
	for i := range w {
		w[i] = binary.BigEndian.Uint16(b[2+2*i:])
	}
	return w, nil
}

func (s *socket) Write(addr uint16, words []uint16) error {
	pdu := []byte{16, byte(addr >> 8), byte(addr), 0, byte(len(words)), byte(2 * len(words))}
	for _, w := range words {
		pdu = binary.BigEndian.AppendUint16(pdu, w)
	}
	_, err := s.call(pdu)
	return err
}

func TestShiftOverSockets(t *testing.T) {
	shiftOver(t, func(*Config) {}, func(s *Sim, _ *Config) standin.Line { return &socket{addr: s.ModbusAddr()} }, nil)
}

// shiftOver lets the bare gateway wrap six rolls over a link, without faults and
// with those of the network. set readies the simulator's servers, connect is
// the gateway's end, and after, when given, looks at what the last roll left.
func shiftOver(t *testing.T, set func(*Config), connect func(*Sim, *Config) standin.Line, after func(*testing.T, *Sim, *standin.Gateway)) {
	t.Helper()
	for _, faults := range [][]string{nil, {cutLink, blackHole, lateReply}} {
		t.Run(strings.Join(append([]string{"faults"}, faults...), "_"), func(t *testing.T) {
			t.Parallel()
			cfg := DefaultConfig()
			set(&cfg)
			cfg.Speed = 600
			cfg.Rolls = cfg.Shift(5, 6)
			cfg.Faults = FaultConfig{Names: faults, Count: 1, Seed: 4}
			s, err := New(cfg)
			if err != nil {
				t.Fatal(err)
			}
			defer func() {
				if err := s.Close(); err != nil {
					t.Error(err)
				}
			}()
			ctx, stop := context.WithCancel(t.Context())
			ended := make(chan struct{})
			g := &standin.Gateway{Line: connect(s, &cfg), Fill: thumb(&cfg)}
			go func() {
				defer close(ended)
				poll := time.NewTicker(50 * time.Millisecond)
				defer poll.Stop()
				for {
					select {
					case <-ctx.Done():
						return
					case <-poll.C:
						g.Poll()
					}
				}
			}()
			rep, err := s.Run(t.Context())
			stop()
			<-ended
			if err = errors.Join(err, rep.Err()); err != nil {
				t.Error(err)
			}
			for _, f := range rep.Faults {
				if f.Occurred != 1 {
					t.Errorf("%s occurred %d times", f.Fault, f.Occurred)
				}
			}
			if len(rep.Rolls) != 6 || len(g.Seen) != 6 {
				t.Fatalf("%d rolls left, %d outcomes seen", len(rep.Rolls), len(g.Seen))
			}
			if after != nil {
				after(t, s, g)
			}
		})
	}
}

// Without a gateway the shift does not end, and the error says why.
func TestNobodyThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := DefaultConfig()
		cfg.Modbus.Addr, cfg.Limit = "", 20*time.Second
		cfg.Rolls = demoShift(1)
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		rep, err := s.Run(t.Context())
		if err == nil || len(rep.Rolls) != 0 {
			t.Fatalf("%d rolls, %v", len(rep.Rolls), err)
		}
		for _, want := range []string{"20s", cfg.Rolls[0].Tag, "await", "39 rolls not yet come", "no gateway opened a session"} {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q does not say %q", err, want)
			}
		}
	})
}

// Under a gateway that only looks on, every roll is wrapped by hand.
func TestShadow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := DefaultConfig()
		cfg.Modbus.Addr, cfg.Shadow, cfg.Operator.Patience = "", true, time.Second
		cfg.Rolls = cfg.Shift(2, 70)
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		rep, err := s.Run(t.Context())
		if err = errors.Join(err, rep.Err()); err != nil {
			t.Fatal(err)
		}
		if rep.Count(controller.ByHand) != 69 || rep.Count(controller.Removed) != 1 || s.prog.Overwritten() != 70-64 {
			t.Errorf("%d by hand, %d removed, %d overwritten", rep.Count(controller.ByHand), rep.Count(controller.Removed), s.prog.Overwritten())
		}
	})
}

func TestLingerKeepsTheProgramRunning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := DefaultConfig()
		cfg.Modbus.Addr, cfg.Shadow, cfg.Linger, cfg.Operator.Patience = "", true, true, time.Second
		cfg.Rolls = cfg.Shift(2, 2)
		ctx, stop := context.WithCancel(t.Context())
		left := 0
		cfg.OnRoll = func(RollReport) { left++ }
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan error)
		go func() {
			_, err := s.Run(ctx)
			done <- err
		}()
		<-time.After(time.Minute) // of the bubble's time
		synctest.Wait()
		before := s.Image().Request()
		<-time.After(time.Second)
		synctest.Wait()
		if left != 2 || s.Image().Request() == before {
			t.Errorf("%d rolls left; the request block stands still", left)
		}
		stop()
		if err := <-done; err != nil {
			t.Errorf("ended with %v", err)
		}
	})
}
