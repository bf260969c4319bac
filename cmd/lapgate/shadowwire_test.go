package main

import (
	"context"
	encoded "encoding/binary"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/record"
	"lapgate/gateway/rehearse"
	"lapgate/sim"
)

// tap is a stretch of wire that counts the requests which pass to the
// controller. It reads the frames on its own, from the protocols alone.
type tap struct {
	listener net.Listener
	to       string
	requests func(io.Reader, io.Writer, *tap) error
	reads    atomic.Int64
	writes   atomic.Int64
	others   atomic.Int64
	all      sync.WaitGroup

	mu    sync.Mutex
	conns []net.Conn
}

func newTap(t *testing.T, requests func(io.Reader, io.Writer, *tap) error) *tap {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &tap{listener: l, requests: requests}
	t.Cleanup(func() {
		_ = l.Close()
		p.mu.Lock()
		for _, c := range p.conns {
			_ = c.Close()
		}
		p.mu.Unlock()
		p.all.Wait()
	})
	return p
}

// serve joins clients with the controller.
func (p *tap) serve(to string) {
	p.to = to
	p.all.Go(func() {
		for {
			client, err := p.listener.Accept()
			if err != nil {
				return
			}
			server, err := net.Dial("tcp", p.to)
			if err != nil {
				_ = client.Close()
				continue
			}
			p.mu.Lock()
			p.conns = append(p.conns, client, server)
			p.mu.Unlock()
			end := func() { _ = client.Close(); _ = server.Close() }
			p.all.Go(func() { defer end(); _ = p.requests(client, server, p) })
			p.all.Go(func() { defer end(); _, _ = io.Copy(client, server) })
		}
	})
}

// modbusRequests passes frames of Modbus TCP on and counts them by function.
func modbusRequests(from io.Reader, to io.Writer, p *tap) error {
	for {
		head := make([]byte, 6)
		if _, err := io.ReadFull(from, head); err != nil {
			return err
		}
		body := make([]byte, encoded.BigEndian.Uint16(head[4:]))
		if _, err := io.ReadFull(from, body); err != nil {
			return err
		}
		if len(body) < 2 {
			return errors.New("no function")
		}
		switch body[1] {
		case 1, 2, 3, 4:
			p.reads.Add(1)
		case 5, 6, 15, 16, 22, 23:
			p.writes.Add(1)
		default:
			p.others.Add(1)
		}
		if _, err := to.Write(append(head, body...)); err != nil {
			return err
		}
	}
}

// opcuaRequests passes chunks of OPC UA without security on and counts the
// requests by the identifier of their binary encoding.
func opcuaRequests(from io.Reader, to io.Writer, p *tap) error {
	const (
		read, write = 631, 673 // OPC 10000-6, A.3
		encodingAt  = 24       // behind header, channel, token and sequence
	)
	for {
		head := make([]byte, 8)
		if _, err := io.ReadFull(from, head); err != nil {
			return err
		}
		size := encoded.LittleEndian.Uint32(head[4:])
		if size < 8 || size > 1<<24 {
			return errors.New("no chunk")
		}
		chunk := make([]byte, size)
		copy(chunk, head)
		if _, err := io.ReadFull(from, chunk[8:]); err != nil {
			return err
		}
		if string(chunk[:3]) == "MSG" && size > encodingAt+4 && chunk[encodingAt] == 1 {
			switch encoded.LittleEndian.Uint16(chunk[encodingAt+2:]) {
			case read:
				p.reads.Add(1)
			case write:
				p.writes.Add(1)
			default:
				p.others.Add(1)
			}
		}
		if _, err := to.Write(chunk); err != nil {
			return err
		}
	}
}

// looks are the rolls that a gateway in shadow has told a recipe or a hold for.
type looks struct {
	rolls sync.Map
	n     atomic.Int64
}

func (l *looks) recorded(_ string, r record.Stored) {
	if s, ok := r.Record.(record.Shadow); ok {
		l.n.Add(1)
		l.rolls.Store(s.Roll, true)
	}
}

func (l *looks) looked(roll uint32) bool {
	_, ok := l.rolls.Load(roll)
	return ok
}

// TestShadowOnTheWire lets a line in shadow look on for a whole shift and
// counts what it writes: nothing. The same wire with an armed line proves that
// the counting works.
func TestShadowOnTheWire(t *testing.T) {
	t.Parallel()
	const shift = 40
	for _, transport := range []string{"modbus-tcp", "opcua"} {
		for _, armed := range []string{"false", "true"} {
			t.Run(transport+", armed "+armed, func(t *testing.T) {
				t.Parallel()
				rolls := shift
				if armed == "true" {
					rolls = 3
				}
				requests := modbusRequests
				if transport == "opcua" {
					requests = opcuaRequests
				}
				cable := newTap(t, requests)
				dir := t.TempDir()
				set := map[string]string{
					"journal.directory":          filepath.Join(dir, "j"),
					"lines.0.controller.address": cable.listener.Addr().String(), "lines.0.controller.times.poll": "50 ms",
				}
				if transport == "opcua" {
					set["lines.0.controller.protocol"] = "opcua"
					set["lines.0.controller.address"] = "opc.tcp://" + cable.listener.Addr().String()
					set["lines.0.controller.opcua.policy"], set["lines.0.controller.opcua.mode"] = "None", "None"
				}
				s, err := config.Load(config.Source{Path: demoName, Bytes: []byte(patientDemo(t)), Set: set})
				if err != nil {
					t.Fatal(err)
				}
				c, err := rehearse.Line(&s.Lines[0])
				if err != nil {
					t.Fatal(err)
				}
				c.Modbus.Addr = "127.0.0.1:0"
				if transport == "opcua" {
					c.Modbus.Addr = ""
					c.OPCUA.Addr, c.OPCUA.Line, c.OPCUA.Plain, c.OPCUA.Anonymous = "127.0.0.1:0", "north", true, true
				}
				c.Limit, c.Speed = time.Hour, 2000
				var shown looks
				if c.Shadow = armed == "false"; c.Shadow {
					c.Operator.Patience, c.Operator.Looked = 100*time.Millisecond, shown.looked
				}
				c.Rolls = c.Shift(1, rolls)
				line, err := sim.New(c)
				if err != nil {
					t.Fatal(err)
				}
				defer func() { _ = line.Close() }()
				if transport == "opcua" {
					cable.serve(line.OPCUA().URL()[len("opc.tcp://"):])
				} else {
					cable.serve(line.ModbusAddr())
				}

				p := &program{stdout: io.Discard, stderr: os.Stderr}
				var arm *gateway.Act
				if armed == "true" {
					arm = &gateway.Act{By: "test", Reason: "a simulated controller"}
				}
				g, err := gateway.New(gateway.Options{
					Arm:      arm,
					Snapshot: s, Dialer: p.dialers(zap.NewNop()), OpenJournal: gateway.OpenJournals(s),
					OnRecord: shown.recorded,
				})
				if err != nil {
					t.Fatal(err)
				}
				ended := make(chan error, 1)
				go func() { ended <- g.Run(context.Background()) }()
				report, err := line.Run(t.Context())
				if err != nil {
					t.Error(err)
				}
				g.Stop()
				if err := <-ended; err != nil {
					t.Error(err)
				}
				t.Logf("%d rolls, %d shown, %d reads, %d writes, %d other requests", len(report.Rolls), shown.n.Load(), cable.reads.Load(), cable.writes.Load(), cable.others.Load())
				if cable.reads.Load() < int64(rolls) {
					t.Errorf("only %d reads passed", cable.reads.Load())
				}
				switch {
				case armed == "true" && cable.writes.Load() == 0:
					t.Error("an armed line wrote nothing: the writes are not counted")
				case armed == "false" && cable.writes.Load() != 0:
					t.Errorf("%d writes in shadow", cable.writes.Load())
				case armed == "false" && (len(report.Rolls) != shift || shown.n.Load() < shift):
					t.Errorf("%d rolls, %d of them with a recipe or a hold: there was hardly a shift", len(report.Rolls), shown.n.Load())
				}
			})
		}
	}
}
