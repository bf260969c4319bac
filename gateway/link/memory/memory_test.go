package memory_test

import (
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"
	"lapgate/gateway/link/memory"
)

func TestSuite(t *testing.T) {
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		image := memory.NewImage()
		var requests atomic.Int64
		var next memory.Kind
		return &linktest.Harness{
			Dialer: &memory.Dialer{Image: image, Before: func(c memory.Call) memory.Fault {
				if c.Op == "dial" {
					return memory.Fault{}
				}
				k := next
				next = memory.None
				if k != memory.Cut {
					requests.Add(1)
				}
				return memory.Fault{Kind: k}
			}},
			Load: image.Load, Store: image.Store,
			Requests: func() int { return int(requests.Load()) },
			Faults: []linktest.Fault{linktest.Refuse, linktest.Hangup, linktest.FIN, linktest.Landed,
				linktest.BlackHole, linktest.Late},
			Play: func(f linktest.Fault) {
				switch f {
				case "":
					next = memory.None
				case linktest.Refuse:
					next = memory.Refuse
				case linktest.Hangup:
					next = memory.Cut
				case linktest.FIN:
					next = memory.Lost
				case linktest.Landed:
					next = memory.Landed
				case linktest.BlackHole:
					next = memory.BlackHole
				case linktest.Late:
					next = memory.Late
				default:
					t.Fatalf("cannot play %s", f)
				}
			},
			Land: func() {
				if image.Land() == 0 {
					t.Error("no write was held back")
				}
			},
		}
	})
}

func TestTornRead(t *testing.T) {
	image := memory.NewImage()
	old, fresh := make([]uint16, handshake.ReqWords), make([]uint16, handshake.ReqWords)
	for i, w := range [][]uint16{old, fresh} {
		r := handshake.Request{GenHead: uint16(i), GenTail: uint16(i), Req: uint32(i)}
		if err := r.Encode(w); err != nil {
			t.Fatal(err)
		}
	}
	image.Store(handshake.REQ, 0, old)
	image.Store(handshake.ACK, 0, []uint16{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})
	at := 0
	d := memory.Dialer{Image: image, Before: func(c memory.Call) memory.Fault {
		if c.Op != "read" {
			return memory.Fault{}
		}
		return memory.Fault{Kind: memory.Torn, At: at, Between: func() { image.Store(handshake.REQ, 0, fresh) }}
	}}
	p, err := d.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// The first span is ten registers long, so that the tear falls into the
	// second.
	for _, at = range []int{10, 11, 60, 103} {
		image.Store(handshake.REQ, 0, old)
		ack, req := make([]uint16, handshake.AckWords), make([]uint16, handshake.ReqWords)
		if err := p.Read(t.Context(), link.Span{Block: handshake.ACK, Dst: ack}, link.Span{Block: handshake.REQ, Dst: req}); err != nil {
			t.Fatal(err)
		}
		want := append(slices.Clone(old[:at-10]), fresh[at-10:]...)
		if !slices.Equal(req, want) || ack[9] != 10 {
			t.Errorf("torn at %d:\n got %04X\nwant %04X", at, req, want)
		}
		var got handshake.Request
		if err := handshake.DecodeRequest(req, &got); at > 12 && err == nil {
			t.Errorf("torn at %d was accepted", at)
		}
	}
}

// TestVirtualTime shows that faults end by the context alone, so that a bubble
// plays hours in no time.
func TestVirtualTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fault := memory.Fault{Kind: memory.BlackHole}
		d := memory.Dialer{Image: memory.NewImage(), Before: func(c memory.Call) memory.Fault {
			if c.Op == "dial" {
				return memory.Fault{}
			}
			return fault
		}}
		start := time.Now()
		p, err := d.Dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		span := link.Span{Block: handshake.ACK, Dst: make([]uint16, handshake.AckWords)}
		if err := p.Read(ctx, span); link.ClassOf(err) != link.Unknown || time.Since(start) != time.Hour {
			t.Errorf("got %v after %v", err, time.Since(start))
		}
		fault = memory.Fault{Delay: time.Minute}
		if p, err = d.Dial(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := p.Read(t.Context(), span); err != nil || time.Since(start) != time.Hour+time.Minute {
			t.Errorf("got %v after %v", err, time.Since(start))
		}
		ctx, cancel = context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := p.Read(ctx, span); link.ClassOf(err) != link.Unknown || !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v, want unknown by the deadline", err)
		}
	})
}

// TestAfterSeesWhatWasCarriedOut plays a controller that answers each commit
// in a scan of its own, without a goroutine.
func TestAfterSeesWhatWasCarriedOut(t *testing.T) {
	image := memory.NewImage()
	var seen []memory.Call
	d := memory.Dialer{Image: image, After: func(c memory.Call) {
		seen = append(seen, c)
		image.Lock()
		image.Words(handshake.REQ, 0)[13]++
		image.Unlock()
	}}
	p, err := d.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	words := make([]uint16, handshake.AckWords)
	if err := (&handshake.Ack{}).Encode(words); err != nil {
		t.Fatal(err)
	}
	if err := p.Write(t.Context(), handshake.ACK, words); err != nil {
		t.Fatal(err)
	}
	want := []memory.Call{{Op: "dial"}, {Op: "write", Block: handshake.ACK}}
	req := make([]uint16, handshake.ReqWords)
	image.Load(handshake.REQ, 0, req)
	if !slices.Equal(seen, want) || req[13] != 2 {
		t.Errorf("seen %v, scans %d", seen, req[13])
	}
	if _, err := (&memory.Dialer{}).Dial(t.Context()); link.ClassOf(err) != link.ConfigClass {
		t.Errorf("a dialer without an image: %v", err)
	}
}

func BenchmarkRead(b *testing.B) {
	p, err := (&memory.Dialer{Image: memory.NewImage()}).Dial(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	span := link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}
	b.ReportAllocs()
	for b.Loop() {
		if err := p.Read(b.Context(), span); err != nil {
			b.Fatal(err)
		}
	}
}
