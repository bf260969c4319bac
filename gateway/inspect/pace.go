package inspect

import (
	"context"
	"time"
)

// MostPerSecond is how many requests a search sends in any second.
const MostPerSecond = 5

// Pace spaces out requests so that no second holds more than MostPerSecond. The zero
// value is ready for the first. It is used by one goroutine at a time.
type Pace struct {
	Turns int // that were waited for so far
	next  time.Time
}

// Wait returns when the next request may be sent. The error is that of the context.
func (p *Pace) Wait(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	t := time.NewTimer(time.Until(p.next))
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
	}
	p.Turns++
	p.next = time.Now().Add(time.Second / MostPerSecond)
	return nil
}
