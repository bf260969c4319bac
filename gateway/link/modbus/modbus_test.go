package modbus_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"
	"lapgate/gateway/link/modbus"
)

// rawFaults are those that the byte-level controller can play.
func rawFaults() []linktest.Fault {
	return []linktest.Fault{linktest.Refuse, linktest.Hangup, linktest.FIN, linktest.RST, linktest.Landed,
		linktest.BlackHole, linktest.Late, linktest.ShortReply, linktest.CutReply, linktest.StaleTransaction,
		linktest.WrongUnit, linktest.WrongFunction, linktest.WrongEcho, linktest.BadLength, linktest.Trailing,
		linktest.Segmented}
}

func rawHarness(c *rawController, d, nowhere link.Dialer) *linktest.Harness {
	return &linktest.Harness{
		Dialer: d, Nowhere: nowhere,
		Load: c.Load, Store: c.Store, Requests: c.Requests,
		Faults: rawFaults(), Play: c.Play, Land: c.Land,
	}
}

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestSuiteOverTCP(t *testing.T) {
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		c := newRawController(t, nil)
		dialer := must[*modbus.Dialer](t)
		return rawHarness(c, dialer(modbus.NewTCP(c.address(), config(t))),
			dialer(modbus.NewTCP(refusingAddress(t), config(t))))
	})
}

// TestSuiteWithShortReads holds the suite with a device that reads at most 50
// registers, so that blocks are split.
func TestSuiteWithShortReads(t *testing.T) {
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		c := newRawController(t, nil)
		conf := config(t)
		conf.Limits = link.Limits{Read: 50, Write: 80}
		return rawHarness(c, must[*modbus.Dialer](t)(modbus.NewTCP(c.address(), conf)), nil)
	})
}

func open(t testing.TB, c *rawController, conf modbus.Config) link.Port {
	t.Helper()
	d := must[*modbus.Dialer](t)(modbus.NewTCP(c.address(), conf))
	p, err := d.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p
}

func ackOf(t testing.TB, n uint32) []uint16 {
	t.Helper()
	words := make([]uint16, handshake.AckWords)
	if err := (&handshake.Ack{UpTo: n}).Encode(words); err != nil {
		t.Fatal(err)
	}
	return words
}

// TestExceptions plays every exception code on a read, on a write, and on the
// first contact.
func TestExceptions(t *testing.T) {
	ack := ackOf(t, 3)
	for _, tt := range []struct {
		code  byte
		write link.Class
		dial  link.Class
		help  string
	}{
		{1, link.Refused, link.ConfigClass, "does not offer function"},
		{2, link.Refused, link.ConfigClass, "check the base address, which counts from zero"},
		{3, link.Refused, link.ConfigClass, "registers"},
		{4, link.Unknown, link.Down, "look at its diagnostics"},
		{5, link.Unknown, link.Down, "needs longer"},
		{6, link.Refused, link.Down, "busy"},
		{8, link.Unknown, link.Down, "manual"},
		{10, link.Refused, link.Down, "bridge"},
		{11, link.Unknown, link.Down, "bridge"},
		{99, link.Unknown, link.Down, "manual"},
	} {
		c := newRawController(t, nil)
		except := func() {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.except = tt.code
		}
		p := open(t, c, config(t))
		span := link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}
		check := func(op string, err error, want link.Class) {
			t.Helper()
			var e *link.Error
			if !errors.As(err, &e) || e.Class != want || !strings.Contains(e.Help, tt.help) {
				t.Errorf("exception %d on %s: got %v, want class %v and help with %q", tt.code, op, err, want, tt.help)
			}
		}
		except()
		check("read", p.Read(t.Context(), span), link.Refused)
		except()
		err := p.Write(t.Context(), handshake.ACK, ack)
		check("write", err, tt.write)
		if tt.code == 3 && (strings.Contains(err.Error(), "lower") || !strings.Contains(err.Error(), "register by register (function 6)")) {
			t.Errorf("the remedy for a write is none that exists: %v", err)
		}
		if usable := p.Read(t.Context(), span) == nil; usable != (tt.write == link.Refused) {
			t.Errorf("exception %d on a write: port usable: %v", tt.code, usable)
		}
		except()
		d := must[*modbus.Dialer](t)(modbus.NewTCP(c.address(), config(t)))
		_, err = d.Dial(t.Context())
		check("dial", err, tt.dial)
		if !strings.HasPrefix(err.Error(), "dial: ") || !strings.Contains(err.Error(), "block REQ") {
			t.Errorf("the text does not name the call and the block: %v", err)
		}
	}
}

func TestConfigProblems(t *testing.T) {
	for _, tt := range []struct {
		name  string
		err   func() error
		wants []string
	}{
		{"all of TCP", func() error { _, err := modbus.NewTCP("controller", modbus.Config{}); return err },
			[]string{`address "controller"`, "register bases are not set", "registers per read are 0", "registers per write are 0", "request timeout is 0s"}},
		{"port", func() error { _, err := modbus.NewTCP("10.0.0.1:70000", config(t)); return err }, []string{`port "70000", want 1 to 65535`}},
		{"host", func() error { _, err := modbus.NewTCP(":502", config(t)); return err }, []string{"has no host"}},
		{"all of TLS", func() error { _, err := modbus.NewTLS(":0", modbus.Security{}, config(t)); return err },
			[]string{`port "0"`, "trust file holds no certificate", "certificate and key of the gateway"}},
		{"all of RTU", func() error {
			c := config(t)
			c.Unit = 0
			_, err := modbus.NewRTU(modbus.NewBus(modbus.Serial{}), c)
			return err
		},
			[]string{"serial device is not set", "speed is 0", `parity is ""`, "stop bits are 0", "unit identifier is 0", "slowest answer is 0s"}},
	} {
		err := tt.err()
		if link.ClassOf(err) != link.ConfigClass {
			t.Errorf("%s: got %v, want a config error", tt.name, err)
			continue
		}
		for _, want := range tt.wants {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: text %q lacks %q", tt.name, err, want)
			}
		}
	}
}

// TestRequestTimeout ends a call whose context has no deadline.
func TestRequestTimeout(t *testing.T) {
	c := newRawController(t, nil)
	conf := config(t)
	conf.Timeout = time.Second // also for the answers of the dial, on a busy machine
	p := open(t, c, conf)
	c.Play(linktest.BlackHole)
	err := p.Read(context.Background(), link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)})
	if link.ClassOf(err) != link.Unknown || !strings.Contains(err.Error(), "did not answer in time") {
		t.Errorf("got %v, want unknown with the remedy for silence", err)
	}
}

// TestFewestRoundTrips counts the requests of the calls that a roll needs.
func TestFewestRoundTrips(t *testing.T) {
	c := newRawController(t, nil)
	p := open(t, c, config(t))
	entries := func(from, n int) (out []link.Span) {
		for i := range n {
			out = append(out, link.Span{Block: handshake.OUT, Entry: (from + i) % handshake.OutEntries, Dst: make([]uint16, handshake.OutWords)})
		}
		return out
	}
	for _, tt := range []struct {
		name  string
		spans []link.Span
		want  int
	}{
		{"request block", []link.Span{{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}}, 1},
		{"three outcomes", entries(7, 3), 1},
		{"ring end", entries(62, 4), 2},
		{"whole ring", entries(0, 64), 22},
	} {
		before := c.Requests()
		if err := p.Read(t.Context(), tt.spans...); err != nil {
			t.Fatal(err)
		}
		if got := c.Requests() - before; got != tt.want {
			t.Errorf("%s: %d requests, want %d", tt.name, got, tt.want)
		}
	}
}

func TestUnknownName(t *testing.T) {
	d := must[*modbus.Dialer](t)(modbus.NewTCP("no-such-controller.invalid:502", config(t)))
	_, err := d.Dial(t.Context())
	if link.ClassOf(err) != link.Down || !strings.Contains(err.Error(), "check the spelling") {
		t.Errorf("got %v, want down with the remedy for a name", err)
	}
}
