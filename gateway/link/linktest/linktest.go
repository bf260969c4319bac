// Package linktest is the one suite that every adapter of the controller link
// passes, whatever the transport. An adapter's test brings a controller, a way
// to its registers behind the link, and the faults that it can play.
package linktest

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Fault is something that goes wrong with one request.
type Fault string

// The faults. All but Hangup happen to the next request that reaches the
// controller.
const (
	Refuse           Fault = "refused"              // answered no, nothing written
	Hangup           Fault = "closed while idle"    // at once, between two requests
	FIN              Fault = "closed before answer" // request lost, connection closed
	RST              Fault = "reset before answer"  // request lost, connection reset
	Landed           Fault = "closed after landing" // carried out, closed before the answer
	BlackHole        Fault = "black hole"           // request lost, connection stays open
	Late             Fault = "late"                 // no answer; a write lands when Land is called
	ShortReply       Fault = "short reply"          // well-formed, fewer registers than asked for
	CutReply         Fault = "cut reply"            // half of the answer, then closed
	StaleTransaction Fault = "stale transaction"    // answer to another request
	WrongUnit        Fault = "answer of another unit"
	WrongFunction    Fault = "answer of another function"
	WrongEcho        Fault = "answer for another address"
	BadLength        Fault = "impossible length"
	Trailing         Fault = "more than one answer" // a second answer behind the right one
	Noise            Fault = "noise in the answer"  // one bit changed, found by a checksum
	Segmented        Fault = "answer in pieces"     // no fault: must succeed
)

// Harness is one controller and the way to it.
type Harness struct {
	Dialer link.Dialer
	// Nowhere leads where nothing listens; nil when the transport has no such
	// place.
	Nowhere link.Dialer
	// Load and Store reach the registers behind the link, for OUT one entry.
	Load  func(id handshake.ID, entry int, dst []uint16)
	Store func(id handshake.ID, entry int, words []uint16)
	// Requests counts the requests that reached the controller, or the fault before it.
	Requests func() int
	// Faults are those that Play can play, once for each call; empty takes back one that
	// befell nothing.
	Faults []Fault
	Play   func(Fault)
	// Land carries out the write that Late held back, and returns when it has.
	Land func()
	// Singly tells that a block is written register by register. An
	// interrupted write may then leave half a block, which must fail its check.
	Singly bool
	// Reconnects is how often the suite dials in its search for leaks; 0 for
	// the usual number. A slow transport that shares its code with a fast one
	// may do with fewer.
	Reconnects int
}

// usualReconnects is how often the suite dials in its search for leaks.
const usualReconnects = 200

// outcome is what a fault must lead to.
type outcome struct {
	fault  Fault
	read   []link.Class // one of these; 0 is success
	write  []link.Class
	landed landing
}

type landing uint8

const (
	either landing = iota
	no
	yes
)

var (
	unknown = []link.Class{link.Unknown}
	refused = []link.Class{link.Refused}
	noValue = []link.Class{link.Refused, link.NoData}
	success = []link.Class{0}
	gone    = []link.Class{link.Down, link.Unknown}
)

func outcomes() []outcome {
	return []outcome{
		{Refuse, noValue, refused, no},
		{Hangup, gone, gone, no},
		{FIN, unknown, unknown, no},
		{RST, unknown, unknown, no},
		{Landed, unknown, unknown, yes},
		{BlackHole, unknown, unknown, no},
		{Late, unknown, unknown, no},
		{ShortReply, unknown, unknown, either},
		{CutReply, unknown, unknown, either},
		{StaleTransaction, unknown, unknown, either},
		{WrongUnit, unknown, unknown, either},
		{WrongFunction, unknown, unknown, either},
		{WrongEcho, success, unknown, either}, // the answer to a read names no address
		{BadLength, unknown, unknown, either},
		{Trailing, unknown, unknown, either},
		{Noise, unknown, unknown, either},
		{Segmented, success, success, yes},
	}
}

// patience bounds calls that are expected to be answered, impatience those
// that are not: on a busy machine it is doubled until the request was sent in time.
const (
	patience   = 2 * time.Minute
	impatience = 150 * time.Millisecond
)

// Run runs the suite. open makes a fresh controller whose registers are zero,
// and cleans up through t.
func Run(t *testing.T, open func(t *testing.T) *Harness) {
	for _, tt := range []struct {
		name string
		run  func(*testing.T, *Harness)
	}{
		{"reads whole blocks", readBlocks},
		{"reads several spans in one call", readSpans},
		{"reads any part of the ring", readRing},
		{"writes each block of the gateway", writeBlocks},
		{"writes nothing else", writeForeign},
		{"refuses spans that do not fit", badSpans},
		{"ended context sends nothing", endedContext},
		{"cancelled call", cancelled},
		{"closed port", closedPort},
		{"nothing listens", nowhere},
		{"late write lands after a new connection", lateWrite},
		{"no goroutine is left", reconnects},
	} {
		t.Run(tt.name, func(t *testing.T) { tt.run(t, open(t)) })
	}
	for _, o := range outcomes() {
		t.Run("fault/"+string(o.fault), func(t *testing.T) {
			h := open(t)
			if !slices.Contains(h.Faults, o.fault) {
				t.Skip("the harness cannot play it")
			}
			t.Run("read", func(t *testing.T) { readFault(t, h, o) })
			t.Run("write", func(t *testing.T) { writeFault(t, h, o) })
		})
	}
}

func bounded(t *testing.T, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}

func dial(t *testing.T, h *Harness) link.Port {
	t.Helper()
	p, err := h.Dialer.Dial(bounded(t, patience))
	if err != nil {
		t.Fatalf("dial: %v", err)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p
}

// pattern gives every block and entry words of its own.
func pattern(id handshake.ID, entry, salt int) []uint16 {
	words := make([]uint16, handshake.Words(id))
	for i := range words {
		words[i] = uint16(int(id)<<13 ^ entry<<7 ^ i ^ salt<<10)
	}
	return words
}

func span(id handshake.ID, entry int) link.Span {
	return link.Span{Block: id, Entry: entry, Dst: make([]uint16, handshake.Words(id))}
}

// written makes a well-formed block of the gateway.
func written(t *testing.T, id handshake.ID, n uint32) []uint16 {
	t.Helper()
	words := make([]uint16, handshake.Words(id))
	s := handshake.Session{Epoch: n, Nonce: 0x9E3779B9}
	var err error
	switch id {
	case handshake.HEARTBEAT:
		err = (&handshake.Heartbeat{Count: uint16(n), Session: s}).Encode(words)
	case handshake.HELLO:
		err = (&handshake.Hello{Session: s, Boot: 41}).Encode(words)
	case handshake.PAYLOAD:
		err = (&handshake.Payload{Session: s, Boot: 41, Tag: "R1", Kind: handshake.KindRecipe, Centring: -12}).Encode(words)
	case handshake.COMMIT:
		err = (&handshake.Commit{Session: s, Offer: 3, Tick: 880123}).Encode(words)
	case handshake.ACK:
		err = (&handshake.Ack{Session: s, UpTo: n}).Encode(words)
	default:
		t.Fatalf("block %s is not the gateway's", id)
	}
	if err != nil {
		t.Fatal(err)
	}
	return words
}

func owned() []handshake.ID {
	return []handshake.ID{handshake.HEARTBEAT, handshake.HELLO, handshake.PAYLOAD, handshake.COMMIT, handshake.ACK}
}

func readBlocks(t *testing.T, h *Harness) {
	p := dial(t, h)
	for salt := range 2 {
		for _, id := range handshake.IDs() {
			want := pattern(id, 0, salt)
			h.Store(id, 0, want)
			s := span(id, 0)
			if err := p.Read(bounded(t, patience), s); err != nil {
				t.Fatalf("%s: %v", id, err)
			}
			if !slices.Equal(s.Dst, want) {
				t.Errorf("%s:\n got %04X\nwant %04X", id, s.Dst, want)
			}
		}
	}
}

func readSpans(t *testing.T, h *Harness) {
	p := dial(t, h)
	var spans []link.Span
	for _, id := range handshake.IDs() {
		h.Store(id, 0, pattern(id, 0, 1))
		spans = append(spans, span(id, 0))
	}
	slices.Reverse(spans)
	spans = append(spans, span(handshake.REQ, 0))
	if err := p.Read(bounded(t, patience), spans...); err != nil {
		t.Fatal(err)
	}
	for _, s := range spans {
		if want := pattern(s.Block, 0, 1); !slices.Equal(s.Dst, want) {
			t.Errorf("%s:\n got %04X\nwant %04X", s.Block, s.Dst, want)
		}
	}
	if err := p.Read(bounded(t, patience)); err != nil {
		t.Errorf("reading nothing: %v", err)
	}
}

func readRing(t *testing.T, h *Harness) {
	p := dial(t, h)
	whole := make([]int, handshake.OutEntries)
	for e := range handshake.OutEntries {
		h.Store(handshake.OUT, e, pattern(handshake.OUT, e, 0))
		whole[e] = e
	}
	for _, entries := range [][]int{{0}, {63}, {62, 63, 0, 1}, {5, 6, 7}, {9, 8}, {20, 40}, whole} {
		var spans []link.Span
		for _, e := range entries {
			spans = append(spans, span(handshake.OUT, e))
		}
		if err := p.Read(bounded(t, patience), spans...); err != nil {
			t.Fatalf("entries %v: %v", entries, err)
		}
		for _, s := range spans {
			if want := pattern(handshake.OUT, s.Entry, 0); !slices.Equal(s.Dst, want) {
				t.Errorf("entry %d of %v:\n got %04X\nwant %04X", s.Entry, entries, s.Dst, want)
			}
		}
	}
}

func writeBlocks(t *testing.T, h *Harness) {
	p := dial(t, h)
	for n := range uint32(3) {
		for _, id := range owned() {
			want := written(t, id, n+7)
			before := h.Requests()
			if err := p.Write(bounded(t, patience), id, want); err != nil {
				t.Fatalf("%s: %v", id, err)
			}
			most := 1
			if h.Singly {
				most = len(want)
			}
			if sent := h.Requests() - before; sent != most {
				t.Errorf("%s took %d requests, want %d", id, sent, most)
			}
			got := make([]uint16, len(want))
			h.Load(id, 0, got)
			if !slices.Equal(got, want) {
				t.Errorf("%s:\n got %04X\nwant %04X", id, got, want)
			}
		}
	}
	for _, id := range owned() {
		s := span(id, 0)
		if err := p.Read(bounded(t, patience), s); err != nil || !slices.Equal(s.Dst, written(t, id, 9)) {
			t.Errorf("%s read back: %v, %04X", id, err, s.Dst)
		}
	}
}

func writeForeign(t *testing.T, h *Harness) {
	p := dial(t, h)
	request := make([]uint16, handshake.ReqWords)
	if err := (&handshake.Request{}).Encode(request); err != nil {
		t.Fatal(err)
	}
	entry := make([]uint16, handshake.OutWords)
	if err := (&handshake.Outcome{}).Encode(entry); err != nil {
		t.Fatal(err)
	}
	damaged := written(t, handshake.PAYLOAD, 7)
	damaged[40]++
	before := h.Requests()
	for _, tt := range []struct {
		id    handshake.ID
		words []uint16
	}{
		{handshake.REQ, request}, {handshake.OUT, entry}, {handshake.ID(200), entry},
		{handshake.PAYLOAD, damaged}, {handshake.COMMIT, written(t, handshake.ACK, 7)}, {handshake.ACK, nil},
	} {
		if err := p.Write(bounded(t, patience), tt.id, tt.words); link.ClassOf(err) != link.ConfigClass {
			t.Errorf("writing %s: got %v, want a config error", tt.id, err)
		}
	}
	badForging(t, p, request, entry, damaged)
	if after := h.Requests(); after != before {
		t.Errorf("%d requests reached the controller", after-before)
	}
	if err := p.Read(bounded(t, patience), span(handshake.REQ, 0)); err != nil {
		t.Errorf("the port does not work any more: %v", err)
	}
	forged(t, p, damaged)
}

func endedContext(t *testing.T, h *Harness) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := h.Dialer.Dial(ctx); link.ClassOf(err) != link.Down {
		t.Errorf("dial: got %v, want down", err)
	}
	if err := dial(t, h).Read(ctx, span(handshake.REQ, 0)); link.ClassOf(err) != link.Down || !errors.Is(err, context.Canceled) {
		t.Errorf("read: got %v, want down by a cancelled context", err)
	}
	p := dial(t, h)
	before := h.Requests()
	if err := p.Write(ctx, handshake.ACK, written(t, handshake.ACK, 7)); link.ClassOf(err) != link.Down {
		t.Errorf("write: got %v, want down", err)
	}
	if after := h.Requests(); after != before {
		t.Errorf("%d requests reached the controller", after-before)
	}
}

func cancelled(t *testing.T, h *Harness) {
	if !slices.Contains(h.Faults, BlackHole) {
		t.Skip("the harness has no black hole")
	}
	p := dial(t, h)
	h.Play(BlackHole)
	ctx, cancel := context.WithCancel(t.Context())
	before := h.Requests()
	go func() {
		for h.Requests() == before && ctx.Err() == nil {
			<-time.After(time.Millisecond)
		}
		cancel()
	}()
	defer cancel()
	err := p.Write(ctx, handshake.ACK, written(t, handshake.ACK, 7))
	if link.ClassOf(err) != link.Unknown || !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want unknown by a cancelled context", err)
	}
}

func closedPort(t *testing.T, h *Harness) {
	p := dial(t, h)
	for range 2 {
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}
	before := h.Requests()
	if err := p.Read(bounded(t, patience), span(handshake.REQ, 0)); link.ClassOf(err) != link.Down {
		t.Errorf("read: got %v, want down", err)
	}
	if err := p.Write(bounded(t, patience), handshake.ACK, written(t, handshake.ACK, 7)); link.ClassOf(err) != link.Down {
		t.Errorf("write: got %v, want down", err)
	}
	if after := h.Requests(); after != before {
		t.Errorf("%d requests reached the controller", after-before)
	}
}

func nowhere(t *testing.T, h *Harness) {
	if h.Nowhere == nil {
		t.Skip("the transport has no such place")
	}
	_, err := h.Nowhere.Dial(bounded(t, patience))
	var e *link.Error
	if !errors.As(err, &e) || e.Class != link.Down || e.Op != "dial" {
		t.Fatalf("got %v, want a dial error of class down", err)
	}
	if e.Help == "" {
		t.Errorf("no remedy is named: %v", err)
	}
}

func lateWrite(t *testing.T, h *Harness) {
	if !slices.Contains(h.Faults, Late) {
		t.Skip("the harness cannot play it")
	}
	p := dial(t, h)
	old := written(t, handshake.COMMIT, 7)
	if err := p.Write(bounded(t, patience), handshake.COMMIT, old); err != nil {
		t.Fatal(err)
	}
	_ = p.Close()
	late := written(t, handshake.COMMIT, 8)
	met := meet(t, h, Late, func(ctx context.Context, p link.Port) error { return p.Write(ctx, handshake.COMMIT, late) })
	if link.ClassOf(met.err) != link.Unknown {
		t.Fatalf("got %v, want unknown", met.err)
	}
	_ = met.port.Close()
	again := dial(t, h)
	s := span(handshake.COMMIT, 0)
	if err := again.Read(bounded(t, patience), s); err != nil || !slices.Equal(s.Dst, old) {
		t.Fatalf("before it lands: %v, %04X", err, s.Dst)
	}
	h.Land()
	if h.Singly {
		late = old // only its first register was on its way, which is the same in both
	}
	if err := again.Read(bounded(t, patience), s); err != nil || !slices.Equal(s.Dst, late) {
		t.Fatalf("after it landed: %v, %04X", err, s.Dst)
	}
}

// reconnects dials again and again, ending each connection in another way, and
// counts goroutines.
func reconnects(t *testing.T, h *Harness) {
	ways := []Fault{"", Refuse}
	for _, f := range []Fault{Hangup, FIN, RST, Landed, CutReply, StaleTransaction} {
		if slices.Contains(h.Faults, f) {
			ways = append(ways, f)
		}
	}
	s := span(handshake.REQ, 0)
	once := func(way Fault) {
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		p, err := h.Dialer.Dial(ctx)
		if err != nil {
			t.Fatalf("dial: %v", err)
		}
		if way != "" && slices.Contains(h.Faults, way) {
			h.Play(way)
			if err := p.Read(ctx, s); err == nil {
				t.Fatalf("%s: the read succeeded", way)
			}
		} else if err := p.Read(ctx, s); err != nil {
			t.Fatal(err)
		}
		if err := p.Close(); err != nil {
			t.Fatal(err)
		}
	}
	once("")
	start := runtime.NumGoroutine()
	n := h.Reconnects
	if n == 0 {
		n = usualReconnects
	}
	for i := range n {
		once(ways[i%len(ways)])
	}
	settle(start)
}

// settle waits until no more goroutines run than before; the controller's side has to
// notice first that its connections ended. Those that never end are told when the time of
// the test is over.
func settle(want int) {
	beat := time.NewTicker(5 * time.Millisecond)
	defer beat.Stop()
	for runtime.NumGoroutine() > want {
		<-beat.C
	}
}
