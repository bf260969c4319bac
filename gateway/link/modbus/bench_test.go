package modbus_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/goburrow/modbus"

	"lapgate/gateway/block"
	"lapgate/gateway/link"
)

// benchmarkAgainstBare measures one poll (the request block) and one delivery
// (payload, its read-back, a last look and the commit) through the link and by
// bare calls of the library, in turns, so that both see the same machine. The
// ratio is of the medians.
func benchmarkAgainstBare(b *testing.B, address string, p link.Port, words int) {
	h := modbus.NewTCPClientHandler(address)
	h.SlaveId, h.Timeout, h.IdleTimeout = 7, time.Second, 0
	if err := h.Connect(); err != nil {
		b.Fatal(err)
	}
	defer h.Close()
	bare := modbus.NewClient(h)

	request := link.Span{Block: block.REQ, Dst: make([]uint16, words)}
	back := link.Span{Block: block.PAYLOAD, Dst: make([]uint16, block.PayloadWords)}
	payload, commit := make([]uint16, block.PayloadWords), make([]uint16, block.CommitWords)
	if err := (&block.Payload{Tag: "R2026-001190"}).Encode(payload); err != nil {
		b.Fatal(err)
	}
	if err := (&block.Commit{Offer: 3}).Encode(commit); err != nil {
		b.Fatal(err)
	}
	payloadBytes, commitBytes := make([]byte, 2*len(payload)), make([]byte, 2*len(commit))
	check := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	bounded := func(call func(context.Context)) {
		ctx, cancel := context.WithTimeout(b.Context(), time.Second)
		call(ctx)
		cancel()
	}
	look := func(ctx context.Context) { check(p.Read(ctx, request)) }
	bareRead := func(at, n uint16) {
		_, err := bare.ReadHoldingRegisters(at, n)
		check(err)
	}
	bareWrite := func(at uint16, b []byte) {
		_, err := bare.WriteMultipleRegisters(at, uint16(len(b)/2), b)
		check(err)
	}
	for _, bench := range []struct {
		name string
		link func()
		bare func()
	}{
		{"poll", func() { bounded(look) }, func() { bareRead(1000, block.ReqWords) }},
		{"delivery", func() {
			bounded(func(ctx context.Context) { check(p.Write(ctx, block.PAYLOAD, payload)) })
			bounded(func(ctx context.Context) { check(p.Read(ctx, back)) })
			bounded(look)
			bounded(func(ctx context.Context) { check(p.Write(ctx, block.COMMIT, commit)) })
		}, func() {
			bareWrite(4030, payloadBytes)
			bareRead(4030, block.PayloadWords)
			bareRead(1000, block.ReqWords)
			bareWrite(4120, commitBytes)
		}},
	} {
		b.Run(bench.name, func(b *testing.B) {
			b.ReportAllocs()
			var ours, theirs []time.Duration
			for b.Loop() {
				start := time.Now()
				bench.link()
				middle := time.Now()
				bench.bare()
				ours, theirs = append(ours, middle.Sub(start)), append(theirs, time.Since(middle))
			}
			slices.Sort(ours)
			slices.Sort(theirs)
			mine, its := ours[len(ours)/2], theirs[len(theirs)/2]
			b.ReportMetric(float64(mine.Nanoseconds()), "link-ns")
			b.ReportMetric(float64(its.Nanoseconds()), "bare-ns")
			b.ReportMetric(float64(mine)/float64(its), "ratio")
		})
	}
}
