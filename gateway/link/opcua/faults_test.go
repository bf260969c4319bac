package opcua

import (
	"bytes"
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"

	serverua "github.com/awcullen/opcua/ua"
)

const impatience = 150 * time.Millisecond

func span(id handshake.ID, entry int) link.Span {
	return link.Span{Block: id, Entry: entry, Dst: make([]uint16, handshake.Words(id))}
}

func ring() (out []link.Span) {
	for entry := range handshake.OutEntries {
		out = append(out, span(handshake.OUT, entry))
	}
	return out
}

func lives(t *testing.T, p link.Port) {
	t.Helper()
	if err := p.Read(bounded(t, patience), span(handshake.REQ, 0)); err != nil {
		t.Errorf("the port does not work any more: %v", err)
	}
}

func isDead(t *testing.T, p link.Port) {
	t.Helper()
	if err := p.Read(bounded(t, patience), span(handshake.REQ, 0)); link.ClassOf(err) != link.Down {
		t.Errorf("the next read: got %v, want down", err)
	}
}

// TestServerRestart ends the server and starts another, which numbers its
// namespaces otherwise.
func TestServerRestart(t *testing.T) {
	before := fresh(t)
	after := another(t, plantSpec{namespaces: 3})
	px := newProxy(t, before.address)
	d := dialer(t, settings(t, px.address(), best))
	p, err := d.Dial(bounded(t, patience))
	if err != nil {
		t.Fatal(err)
	}
	lives(t, p)
	px.aim(closedAddress(t))
	px.hangup()
	err = p.Read(bounded(t, patience), span(handshake.REQ, 0))
	if c := link.ClassOf(err); c != link.Down && c != link.Unknown {
		t.Errorf("while it is gone: got %v", err)
	}
	isDead(t, p)
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	if _, err := d.Dial(bounded(t, patience)); link.ClassOf(err) != link.Down {
		t.Errorf("dial while it is gone: got %v, want down", err)
	}
	px.aim(after.address)
	again, err := d.Dial(bounded(t, patience))
	if err != nil {
		t.Fatal(err)
	}
	want := []uint16{17, 4, 2026}
	after.store(handshake.REQ, 0, want)
	s := span(handshake.REQ, 0)
	if err := again.Read(bounded(t, patience), s); err != nil || !slices.Equal(s.Dst[:3], want) {
		t.Errorf("after the restart: %v, %v", err, s.Dst[:3])
	}
	if was, is := p.(*port).blocks[handshake.REQ].NodeID.Namespace(), again.(*port).blocks[handshake.REQ].NodeID.Namespace(); was == is {
		t.Errorf("namespace %d before and after: the test shows nothing", was)
	}
	_ = again.Close()
}

func TestSessionExpiry(t *testing.T) {
	pl := fresh(t)
	for _, write := range []bool{false, true} {
		pl.with(func() { pl.sessions = nil })
		p := dial(t, settings(t, pl.address, best))
		pl.with(func() { pl.srv.SessionManager().Delete(pl.sessions[0]) })
		var err error
		if write {
			ack := make([]uint16, handshake.AckWords)
			if err := (&handshake.Ack{UpTo: 7}).Encode(ack); err != nil {
				t.Fatal(err)
			}
			err = p.Write(bounded(t, patience), handshake.ACK, ack)
		} else {
			err = p.Read(bounded(t, patience), span(handshake.REQ, 0))
		}
		if link.ClassOf(err) != link.Down || len(mention(err, "forgotten the session")) > 0 {
			t.Errorf("write %t: got %v, want down", write, err)
		}
		isDead(t, p)
		lives(t, dial(t, settings(t, pl.address, best)))
	}
}

// TestRenewal lets the keys be renewed before a request, and swallows the next
// renewal: the request that waited for it was never sent.
func TestRenewal(t *testing.T) {
	pl := fresh(t)
	px := newProxy(t, pl.address)
	var opened atomic.Int32
	var swallow atomic.Pointer[context.CancelFunc] // what ends the call whose renewal was swallowed
	px.stall = func(b []byte) bool {
		if !bytes.HasPrefix(b, []byte("OPN")) {
			return false
		}
		opened.Add(1)
		end := swallow.Load()
		if end != nil {
			(*end)()
		}
		return end != nil
	}
	for _, sec := range securities() {
		t.Run(sec.String(), func(t *testing.T) {
			d := dialer(t, settings(t, px.address(), sec))
			d.lifetime = time.Nanosecond // so that every request renews
			p, err := d.Dial(bounded(t, patience))
			if err != nil {
				t.Fatal(err)
			}
			defer p.Close()
			before := opened.Load()
			lives(t, p)
			ack := make([]uint16, handshake.AckWords)
			if err := (&handshake.Ack{UpTo: 7}).Encode(ack); err != nil {
				t.Fatal(err)
			}
			if err := p.Write(bounded(t, patience), handshake.ACK, ack); err != nil {
				t.Error(err)
			}
			lives(t, p)
			if n := opened.Load() - before; n != 3 {
				t.Errorf("%d renewals for three requests", n)
			}
			ctx, end := context.WithCancel(t.Context())
			defer end()
			swallow.Store(&end)
			defer swallow.Store(nil)
			asked := pl.count()
			err = p.Write(ctx, handshake.ACK, ack)
			if link.ClassOf(err) != link.Down || !errors.Is(err, context.Canceled) || len(mention(err, "renewing the keys")) > 0 {
				t.Errorf("got %v, want down by the end of the context", err)
			}
			if pl.count() != asked {
				t.Error("the request was sent without keys")
			}
			isDead(t, p)
		})
	}
	d := dialer(t, settings(t, px.address(), best))
	again, err := d.Dial(bounded(t, patience))
	if err != nil {
		t.Fatal(err)
	}
	lives(t, again)
	_ = again.Close()
}

// TestOverLimit reads the whole ring from a server that takes few nodes in one
// read, and then as if the server had said nothing.
func TestOverLimit(t *testing.T) {
	pl := another(t, plantSpec{limit: 5})
	p := dial(t, settings(t, pl.address, security{PolicyNone, ModeNone}))
	if p.reads != 5 {
		t.Fatalf("limit is %d, want 5", p.reads)
	}
	pl.store(handshake.OUT, 63, []uint16{63})
	spans := ring()
	if err := p.Read(bounded(t, patience), spans...); err != nil || spans[63].Dst[0] != 63 {
		t.Errorf("the ring: %v, %d", err, spans[63].Dst[0])
	}
	p.reads = 0
	clear(spans[63].Dst)
	if err := p.Read(bounded(t, patience), spans...); err != nil || spans[63].Dst[0] != 63 || p.reads < 1 || p.reads > 5 {
		t.Errorf("over the limit: got %v, %d and a limit of %d, want the ring in smaller requests", err, spans[63].Dst[0], p.reads)
	}
	lives(t, p)
}

// TestOneBadItem has one value of several not good: an entry of the ring counts as
// never written, any other block has no data, and neither ends the connection.
func TestOneBadItem(t *testing.T) {
	pl := fresh(t)
	p := dial(t, settings(t, pl.address, best))
	name := NodeName(testLine, handshake.OUT, 2)
	now := time.Now()
	for _, status := range []serverua.StatusCode{serverua.BadNoCommunication, serverua.UncertainLastUsableValue, serverua.BadNodeIDUnknown} {
		pl.with(func() {
			pl.odd[name] = serverua.NewDataValue(make([]uint16, handshake.OutWords), status, now, 0, now, 0)
		})
		pl.store(handshake.OUT, 1, []uint16{77})
		good, bad := span(handshake.OUT, 1), span(handshake.OUT, 2)
		bad.Dst[3] = 9
		err := p.Read(bounded(t, patience), span(handshake.REQ, 0), good, bad)
		if err != nil || good.Dst[0] != 77 || slices.ContainsFunc(bad.Dst, func(w uint16) bool { return w != 0 }) {
			t.Errorf("%v: got %v, %v and %v, want an entry never written", status, err, good.Dst[0], bad.Dst)
		}
		lives(t, p)
		if status == serverua.BadNodeIDUnknown {
			refused(t, settings(t, pl.address, best), link.ConfigClass, "block OUT entry 02 (node", "value is not good")
		} else {
			lives(t, dial(t, settings(t, pl.address, best)))
		}
	}
	request := NodeName(testLine, handshake.REQ, 0)
	for _, status := range []serverua.StatusCode{serverua.BadWaitingForInitialData, serverua.UncertainLastUsableValue, serverua.BadUserAccessDenied} {
		pl.with(func() {
			clear(pl.odd)
			pl.odd[request] = serverua.NewDataValue(make([]uint16, handshake.ReqWords), status, now, 0, now, 0)
		})
		var e *link.Error
		if err := p.Read(bounded(t, patience), span(handshake.REQ, 0)); !errors.As(err, &e) || e.Class != link.NoData || e.Block != handshake.REQ || e.Help == "" {
			t.Errorf("%v: got %v, want no data of REQ", status, err)
		}
		pl.with(func() { clear(pl.odd) })
		lives(t, p)
	}
	pl.with(func() {
		pl.odd[name] = serverua.NewDataValue(make([]uint16, handshake.OutWords), serverua.GoodLocalOverride, now, 0, now, 0)
	})
	if err := p.Read(bounded(t, patience), span(handshake.OUT, 2)); err != nil {
		t.Errorf("a good value of another kind: %v", err)
	}
}

// TestBlocksNotReadable: the gateway needs no right to read its own blocks, and is
// told so of the payload.
func TestBlocksNotReadable(t *testing.T) {
	pl := fresh(t)
	now := time.Now()
	pl.with(func() {
		for _, id := range handshake.IDs() {
			if handshake.GatewayOwned(id) {
				pl.odd[NodeName(testLine, id, 0)] = serverua.NewDataValue(nil, serverua.BadNotReadable, now, 0, now, 0)
			}
		}
	})
	p := dial(t, settings(t, pl.address, best))
	if err := p.Read(bounded(t, patience), span(handshake.PAYLOAD, 0)); link.ClassOf(err) != link.NoAccess {
		t.Errorf("got %v, want no access", err)
	}
	lives(t, p)
}

// TestReconnectLeavesTheRing: the entries of the ring are looked at once for each
// dialer; a reconnect reads of them only what is new.
func TestReconnectLeavesTheRing(t *testing.T) {
	pl := fresh(t)
	d := dialer(t, settings(t, pl.address, best))
	for _, want := range []int{handshake.OutEntries, 0} {
		before := pl.ringReads()
		p, err := d.Dial(bounded(t, patience))
		if err != nil {
			t.Fatal(err)
		}
		lives(t, p.(*port))
		if got := pl.ringReads() - before; got != want {
			t.Errorf("%d entries of the ring were read, want %d", got, want)
		}
		_ = p.Close()
	}
}

// TestTypeChange lets a variable change under an open port.
func TestTypeChange(t *testing.T) {
	pl := fresh(t)
	name := NodeName(testLine, handshake.REQ, 0)
	now := time.Now()
	for _, tt := range []struct {
		value any
		text  string
	}{
		{make([]int16, handshake.ReqWords), "[]int16"},
		{make([]uint32, handshake.ReqWords), "[]uint32"},
		{make([]float64, handshake.ReqWords), "[]float64"},
		{uint16(7), "type uint16"},
		{make([]uint16, handshake.ReqWords-1), "95 elements, want 96"},
		{make([]uint16, handshake.ReqWords+1), "97 elements, want 96"},
		{[]uint16{}, "0 elements, want 96"},
		{nil, "empty although it is good"},
		{"text", "type string"},
	} {
		pl.with(func() { clear(pl.odd) })
		p := dial(t, settings(t, pl.address, best))
		pl.with(func() { pl.odd[name] = serverua.NewDataValue(tt.value, serverua.Good, now, 0, now, 0) })
		err := p.Read(bounded(t, patience), span(handshake.REQ, 0))
		if link.ClassOf(err) != link.Unknown || len(mention(err, tt.text)) > 0 {
			t.Errorf("%T: got %v, want unknown with %q", tt.value, err, tt.text)
		}
		isDead(t, p)
		refused(t, settings(t, pl.address, best), link.ConfigClass, "block REQ (node", tt.text, "array of UInt16")
	}
}

// TestStaleAnswer gives the answer to another request: it is refused at once,
// nobody waits for the right one.
func TestStaleAnswer(t *testing.T) {
	px := newProxy(t, fresh(t).address)
	p := dial(t, settings(t, px.address(), security{PolicyNone, ModeNone}))
	px.play(linktest.StaleTransaction)
	err := p.Read(bounded(t, patience), span(handshake.REQ, 0))
	if link.ClassOf(err) != link.Unknown || len(mention(err, "answer is for request")) > 0 {
		t.Errorf("got %v, want the answer refused", err)
	}
	isDead(t, p)
}

// TestSilence waits no longer than the settings say, whatever the context.
func TestSilence(t *testing.T) {
	px := newProxy(t, fresh(t).address)
	p := dial(t, settings(t, px.address(), security{PolicyNone, ModeNone}))
	p.channel.SetTimeout(impatience)
	px.play(linktest.BlackHole)
	err := p.Read(bounded(t, patience), span(handshake.REQ, 0))
	if link.ClassOf(err) != link.Unknown || len(mention(err, "did not answer in time")) > 0 {
		t.Errorf("got %v, want unknown by time", err)
	}
	isDead(t, p)
}

// TestLibraryPanic has the library fail over a value that it cannot encode.
func TestLibraryPanic(t *testing.T) {
	p := dial(t, settings(t, fresh(t).address, best))
	_, err := p.write(bounded(t, patience), []*ua.WriteValue{{NodeID: p.item(handshake.ACK, 0).NodeID}})
	err = p.fail("write", handshake.ACK, err)
	if link.ClassOf(err) != link.Unknown || len(mention(err, "the library failed")) > 0 {
		t.Errorf("got %v, want unknown", err)
	}
	isDead(t, p)
}

// TestNoServer dials what is no OPC UA server.
func TestNoServer(t *testing.T) {
	for _, tt := range []struct {
		name   string
		answer string // "" for silence
	}{
		{"silent", ""}, {"closing", "close"}, {"speaks HTTP", "HTTP/1.1 400 Bad Request\r\n\r\n"},
		{"cut greeting", "ACKF\x1c\x00\x00\x00"}, {"refusing", "ERRF\x10\x00\x00\x00\x00\x00\x0d\x80\xff\xff\xff\xff"},
		{"greedy", "ACKF\x1c\x00\x00\x00\x00\x00\x00\x00\xff\xff\xff\x7f\xff\xff\xff\x7f\x00\x00\x00\x00\x00\x00\x00\x00"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ln, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			defer ln.Close()
			go func() {
				for {
					conn, err := ln.Accept()
					if err != nil {
						return
					}
					defer conn.Close()
					if tt.answer == "close" {
						_ = conn.Close()
					}
					_, _ = conn.Write([]byte(tt.answer))
				}
			}()
			d := dialer(t, settings(t, ln.Addr().String(), best))
			_, err = d.Dial(bounded(t, impatience))
			var e *link.Error
			if !errors.As(err, &e) || e.Class != link.Down || e.Help == "" {
				t.Errorf("got %v, want down with a remedy", err)
			}
		})
	}
}

func TestReadOnlyUser(t *testing.T) {
	pl := another(t, plantSpec{readOnly: true})
	var got []Warning
	s := settings(t, pl.address, best)
	s.Warn = func(w Warning) { got = append(got, w) }
	p := dial(t, s)
	if len(got) != 1 || got[0].Code != "read-only" {
		t.Errorf("got %+v, want a warning of missing rights", got)
	}
	lives(t, p)
	ack := make([]uint16, handshake.AckWords)
	if err := (&handshake.Ack{UpTo: 7}).Encode(ack); err != nil {
		t.Fatal(err)
	}
	if err := p.Write(bounded(t, patience), handshake.ACK, ack); link.ClassOf(err) != link.Refused || len(mention(err, "the user may not do this")) > 0 {
		t.Errorf("write: got %v, want a refusal", err)
	}
	lives(t, p)
}

func TestMissingNode(t *testing.T) {
	pl := another(t, plantSpec{without: NodeName(testLine, handshake.COMMIT, 0)})
	s := settings(t, pl.address, best)
	refused(t, s, link.ConfigClass, "block COMMIT (node", "line1.Commit", "no such variable")
	err := func() error { _, err := dialer(t, s).Dial(bounded(t, patience)); return err }()
	if strings.Contains(err.Error(), "block REQ") {
		t.Errorf("more than the missing block is named: %v", err)
	}
}

// TestStatusClasses holds down what may be concluded from a status of a write.
func TestStatusClasses(t *testing.T) {
	for status, want := range map[ua.StatusCode]link.Class{
		ua.StatusBadTooManyOperations:     link.Refused,
		ua.StatusBadUserAccessDenied:      link.Refused,
		ua.StatusBadTypeMismatch:          link.Refused,
		ua.StatusBadSessionIDInvalid:      link.Down,
		ua.StatusBadSessionClosed:         link.Down,
		ua.StatusBadSecureChannelClosed:   link.Down,
		ua.StatusBadTimeout:               link.Unknown,
		ua.StatusBadInternalError:         link.Unknown,
		ua.StatusBadDeviceFailure:         link.Unknown,
		ua.StatusBadShutdown:              link.Unknown,
		ua.StatusBadServerHalted:          link.Unknown,
		ua.StatusBadCommunicationError:    link.Unknown,
		ua.StatusBadUnexpectedError:       link.Unknown,
		ua.StatusBadWaitingForInitialData: link.Unknown,
	} {
		if got := faultClass(status); got != want {
			t.Errorf("%v: %v, want %v", status, got, want)
		}
	}
	for status, want := range map[ua.StatusCode]bool{
		ua.StatusOK: true, ua.StatusGoodClamped: true, ua.StatusUncertain: false, ua.StatusUncertainLastUsableValue: false, ua.StatusBad: false,
	} {
		if good(status) != want {
			t.Errorf("%v good: %t", status, good(status))
		}
	}
}
