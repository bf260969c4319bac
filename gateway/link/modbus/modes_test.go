package modbus_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"
	"lapgate/gateway/link/modbus"
)

// TestSuiteWithInputRegisters holds the suite with a controller whose own
// blocks are input registers, side by side with holding registers of the same
// addresses that do not exist.
func TestSuiteWithInputRegisters(t *testing.T) {
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		c := newRawController(t, nil)
		c.inputs = true
		conf := config(t)
		conf.Reads = modbus.ReadInput
		return rawHarness(c, must[*modbus.Dialer](t)(modbus.NewTCP(c.address(), conf)), nil)
	})
}

// TestSuiteWithSingleWrites holds the suite with a controller that lacks
// function 16.
func TestSuiteWithSingleWrites(t *testing.T) {
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		c := newRawController(t, nil)
		c.single = true
		conf := config(t)
		conf.Writes = modbus.WriteSingle
		h := rawHarness(c, must[*modbus.Dialer](t)(modbus.NewTCP(c.address(), conf)), nil)
		h.Singly = true
		return h
	})
}

// TestOtherFunctionsAreNamed meets a controller that offers the other function
// than the one configured.
func TestOtherFunctionsAreNamed(t *testing.T) {
	c := newRawController(t, nil)
	c.single = true
	p := open(t, c, config(t))
	err := p.Write(t.Context(), handshake.ACK, ackOf(t, 3))
	var e *link.Error
	if !errors.As(err, &e) || e.Class != link.Refused || !strings.Contains(e.Help, "function 16") || !strings.Contains(e.Help, "register by register (function 6)") {
		t.Errorf("got %v, want refused with the remedy", err)
	}
	conf := config(t)
	conf.Reads = modbus.ReadInput
	d := must[*modbus.Dialer](t)(modbus.NewTCP(c.address(), conf))
	if _, err := d.Dial(t.Context()); link.ClassOf(err) != link.ConfigClass || !strings.Contains(err.Error(), "register 31001 in the other notation") {
		t.Errorf("got %v, want a config error in the notation of input registers", err)
	}
}

// TestHalfWritten interrupts a payload written register by register after each
// of its registers. Whatever the controller then holds fails its check, but for
// the old block whole; the port is dead, and what became of the write unknown.
func TestHalfWritten(t *testing.T) {
	c := newRawController(t, nil)
	c.single = true
	conf := config(t)
	conf.Writes = modbus.WriteSingle
	payload := func(tag string, width uint32) []uint16 {
		words := make([]uint16, handshake.PayloadWords)
		if err := (&handshake.Payload{Session: handshake.Session{Epoch: width, Nonce: 7}, Tag: handshake.Tag(tag), Kind: handshake.KindRecipe, Width: width}).Encode(words); err != nil {
			t.Fatal(err)
		}
		return words
	}
	old, fresh := payload("R2026-001190", 12504), payload("R2026-001191", 16020)
	halves := 0
	for k := range handshake.PayloadWords {
		c.Store(handshake.PAYLOAD, 0, old)
		p := open(t, c, conf)
		c.mu.Lock()
		c.writes = k + 1
		c.mu.Unlock()
		before := c.Requests()
		err := p.Write(t.Context(), handshake.PAYLOAD, fresh)
		if link.ClassOf(err) != link.Unknown {
			t.Fatalf("after %d registers: got %v, want unknown", k, err)
		}
		if sent := c.Requests() - before; sent != k+1 {
			t.Errorf("after %d registers: %d requests were sent, want %d", k, sent, k+1)
		}
		if err := p.Read(t.Context(), link.Span{Block: handshake.ACK, Dst: make([]uint16, handshake.AckWords)}); link.ClassOf(err) != link.Down {
			t.Errorf("after %d registers: the port lives: %v", k, err)
		}
		got := make([]uint16, handshake.PayloadWords)
		c.Load(handshake.PAYLOAD, 0, got)
		if !slices.Equal(got[:k], fresh[:k]) || !slices.Equal(got[k:], old[k:]) {
			t.Fatalf("after %d registers the block is %04X", k, got)
		}
		if slices.Equal(got, old) {
			continue // what was written so far is the same in both
		}
		halves++
		if err := handshake.Verify(handshake.PAYLOAD, got); err == nil {
			t.Errorf("after %d registers the block passes for a whole one", k)
		}
	}
	if halves < handshake.PayloadWords/2 {
		t.Errorf("only %d of %d interruptions left half a block", halves, handshake.PayloadWords)
	}
}

// TestRefusedMidway has a refusal in the midst of a block: it is no refusal of
// the block, of which a part is written.
func TestRefusedMidway(t *testing.T) {
	c := newRawController(t, nil)
	conf := config(t)
	conf.Writes = modbus.WriteSingle
	p := open(t, c, conf)
	var taken int
	c.onRequest = func() {
		if taken++; taken == 5 {
			c.except = 6
		}
	}
	err := p.Write(t.Context(), handshake.ACK, ackOf(t, 3))
	if link.ClassOf(err) != link.Unknown || !strings.Contains(err.Error(), "after 4 of 10 registers") {
		t.Errorf("got %v, want unknown after 4 of 10 registers", err)
	}
}

// TestOverLimit meets a device that reads fewer registers at once than is
// configured, and then fewer than is asked for.
func TestOverLimit(t *testing.T) {
	c := newRawController(t, nil)
	c.most = 50
	d := must[*modbus.Dialer](t)(modbus.NewTCP(c.address(), config(t)))
	if _, err := d.Dial(t.Context()); link.ClassOf(err) != link.ConfigClass || !strings.Contains(err.Error(), "lower the registers per request") {
		t.Errorf("got %v, want a config error with the remedy", err)
	}
	conf := config(t)
	conf.Limits.Read = 50
	p := open(t, c, conf)
	c.Store(handshake.REQ, 0, []uint16{0x5251, 1, 7})
	c.Store(handshake.OUT, 63, []uint16{0x4F55})
	spans := []link.Span{{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}}
	for entry := range handshake.OutEntries {
		spans = append(spans, link.Span{Block: handshake.OUT, Entry: entry, Dst: make([]uint16, handshake.OutWords)})
	}
	if err := p.Read(t.Context(), spans...); err != nil || spans[0].Dst[2] != 7 || spans[64].Dst[0] != 0x4F55 {
		t.Errorf("within the limit: %v", err)
	}
	c.mu.Lock()
	c.most = 30
	c.mu.Unlock()
	if err := p.Read(t.Context(), spans[0]); link.ClassOf(err) != link.Refused {
		t.Errorf("over the limit: got %v, want refused", err)
	}
}

// TestStrictController meets a controller that answers its own whole blocks alone,
// and lets those of the gateway be written only.
func TestStrictController(t *testing.T) {
	c := newRawController(t, nil)
	c.strict = true
	p := open(t, c, config(t))
	var ring []link.Span
	for entry := range handshake.OutEntries {
		ring = append(ring, link.Span{Block: handshake.OUT, Entry: entry, Dst: make([]uint16, handshake.OutWords)})
	}
	read := func(spans ...link.Span) error { return p.Read(t.Context(), spans...) }
	request := link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}
	if err := errors.Join(read(request), read(ring...), read(ring[62], ring[63], ring[0]), read(ring[63], request)); err != nil {
		t.Error(err)
	}
	for _, id := range handshake.IDs() {
		if !handshake.GatewayOwned(id) {
			continue
		}
		if err := read(link.Span{Block: id, Dst: make([]uint16, handshake.Words(id))}); link.ClassOf(err) != link.NoAccess {
			t.Errorf("%s: got %v, want no access", id, err)
		}
	}
	if err := errors.Join(p.Write(t.Context(), handshake.ACK, ackOf(t, 3)), read(request)); err != nil {
		t.Errorf("after a refused read: %v", err)
	}
}
