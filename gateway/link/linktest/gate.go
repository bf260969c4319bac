package linktest

import (
	"slices"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// forged holds that a damaged block arrives as it is, where a port can send one.
func forged(t *testing.T, p link.Port, damaged []uint16) {
	f, ok := p.(link.Forger)
	if !ok {
		return
	}
	if err := f.Forge(bounded(t, patience), handshake.PAYLOAD, damaged); err != nil {
		t.Fatal(err)
	}
	back := span(handshake.PAYLOAD, 0)
	if err := p.Read(bounded(t, patience), back); err != nil || !slices.Equal(back.Dst, damaged) {
		t.Errorf("a damaged block did not arrive as it was written: %v", err)
	}
}

// badForging holds that a port that can send a damaged block sends no other thing.
func badForging(t *testing.T, p link.Port, request, entry, damaged []uint16) {
	f, ok := p.(link.Forger)
	if !ok {
		return
	}
	for _, tt := range []struct {
		id    handshake.ID
		words []uint16
	}{{handshake.REQ, request}, {handshake.OUT, entry}, {handshake.PAYLOAD, damaged[:len(damaged)-1]}} {
		if err := f.Forge(bounded(t, patience), tt.id, tt.words); link.ClassOf(err) != link.ConfigClass {
			t.Errorf("forging %s: got %v, want a config error", tt.id, err)
		}
	}
}

func badSpans(t *testing.T, h *Harness) {
	p := dial(t, h)
	before := h.Requests()
	room := make([]uint16, 200)
	for _, s := range []link.Span{
		{Block: handshake.REQ, Dst: room[:95]}, {Block: handshake.REQ, Dst: room[:97]}, {Block: handshake.REQ},
		{Block: handshake.OUT, Entry: 64, Dst: room[:40]}, {Block: handshake.OUT, Entry: -1, Dst: room[:40]},
		{Block: handshake.ID(200), Dst: room[:40]},
	} {
		if err := p.Read(bounded(t, patience), span(handshake.ACK, 0), s); link.ClassOf(err) != link.ConfigClass {
			t.Errorf("%+v: got %v, want a config error", s, err)
		}
	}
	if after := h.Requests(); after != before {
		t.Errorf("%d requests reached the controller", after-before)
	}
}
