package gateway

import (
	"context"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/scan"
)

func (l *lineLoop) fetchView(ctx context.Context) bool {
	if !l.read(ctx, handshake.REQ, link.Span{Block: handshake.REQ, Dst: l.view[:]}) {
		return false
	}
	e := scan.Decode(l.view[:])
	switch v := e.(type) {
	case cycle.BadView:
		l.options.Metrics.BadView(l.set.name, v.Cause)
		l.strange(v.Cause, time.Now())
	case cycle.View:
		l.odd = strangeness{}
		l.options.Metrics.Seen(l.set.name, &v.Request)
		l.found()
		l.seen, l.floor = true, v.Request.Floor
		l.sources.apply(l.moment().Mono, &v)
		e = v
	}
	l.queue = append(l.queue, e)
	return true
}

func (l *lineLoop) fetchPayload(ctx context.Context) bool {
	if !l.read(ctx, handshake.PAYLOAD, link.Span{Block: handshake.PAYLOAD, Dst: l.payload[:]}) {
		return false
	}
	words := append([]uint16(nil), l.payload[:]...)
	l.queue = append(l.queue, cycle.Payload{Words: words})
	return true
}

func (l *lineLoop) fetchOutcomes(ctx context.Context, from uint32, n int) bool {
	words := make([]uint16, n*handshake.OutWords)
	spans := make([]link.Span, n)
	for i := range spans {
		spans[i] = link.Span{
			Block: handshake.OUT,
			Entry: int((from + uint32(i)) % handshake.OutEntries),
			Dst:   words[i*handshake.OutWords : (i+1)*handshake.OutWords],
		}
	}
	if !l.read(ctx, handshake.OUT, spans...) {
		return false
	}
	entries := make([]cycle.OutcomeRead, n)
	for i := range entries {
		entries[i].Words = spans[i].Dst
		if err := handshake.DecodeOutcome(spans[i].Dst, &entries[i].Outcome); err != nil {
			entries[i].Err = err.Error()
		}
	}
	l.queue = append(l.queue, cycle.Outcomes{Entries: entries})
	return true
}
