package conform

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
)

// trial is the gateway's part in the cases. The first error of a case ends it:
// what is called after it does nothing.
type trial struct {
	*Settings
	out *Outside

	ctx     context.Context
	proving *testCase
	err     error

	port      link.Forger
	reached   bool              // the controller was there once
	session   handshake.Session // the newest that was offered to the controller
	offers    uint16            // the newest of the session
	beatCount uint16
	beatAt    time.Time
	silent    bool // no heartbeat

	last       handshake.Request // the newest valid one
	lastWords  []uint16
	sent       []Frame // newest of each block in this case, in order of their writing
	readOther  *Frame  // newest entry of OUT or LIMITS in this case
	memoryLost bool
	journaled  uint32 // outcomes that the journal of the proof has
}

// failure is what the controller did wrong.
type failure struct{ text string }

func (f *failure) Error() string { return f.text }

// skip is why a case could not be run.
type skip struct{ text string }

func (s *skip) Error() string { return s.text }

func (t *trial) begin(ctx context.Context, c *testCase) {
	t.ctx, t.proving, t.err, t.silent, t.sent, t.readOther = ctx, c, nil, false, nil, nil
}

func (t *trial) ok() bool { return t.err == nil }

// fail ends the case: the controller broke its rule.
func (t *trial) fail(format string, args ...any) {
	if t.err == nil {
		t.err = &failure{fmt.Sprintf(format, args...)}
	}
}

// must fails the case unless what is wanted holds.
func (t *trial) must(holds bool, format string, args ...any) {
	if !holds {
		t.fail(format, args...)
	}
}

// skip ends the case: it cannot be run here.
func (t *trial) skip(format string, args ...any) {
	if t.err == nil {
		t.err = &skip{fmt.Sprintf(format, args...)}
	}
}

// frames are the words that belong to a failure.
func (t *trial) frames() []Frame {
	out := slices.Clone(t.sent)
	if t.readOther != nil {
		out = append(out, *t.readOther)
	}
	if t.lastWords != nil {
		out = append(out, Frame{handshake.REQ.String(), "read", slices.Clone(t.lastWords)})
	}
	return out
}

func (t *trial) hangUp() {
	if t.port != nil {
		_ = t.port.Close() // nothing is under way
		t.port = nil
	}
}

// reach carries out a call of the port, and dials again where the link is lost: a
// controller that starts again takes its links with it. A write is never repeated.
func (t *trial) reach(call func(context.Context, link.Forger) error, again bool) error {
	for began := time.Now(); ; {
		err := t.dial()
		if err == nil {
			ctx, cancel := context.WithTimeout(t.ctx, t.RequestTimeout)
			err = call(ctx, t.port)
			cancel()
			if err == nil || link.ClassOf(err).Answered() || link.ClassOf(err) == link.ConfigClass {
				return err
			}
			t.hangUp()
			if !again {
				return err
			}
		}
		if !t.reached || link.ClassOf(err) == link.ConfigClass || t.ctx.Err() != nil || time.Since(began) > t.Reconnect {
			return err
		}
		t.pause()
	}
}

func (t *trial) dial() error {
	if t.port != nil {
		return nil
	}
	port, err := t.out.Dialer.Dial(t.ctx)
	if err != nil {
		return err
	}
	forger, ok := port.(link.Forger)
	if !ok {
		return errors.Join(&RefusedError{"the controller offers tags and not blocks, which have no conformance list; prove it with check --online and in shadow"}, port.Close())
	}
	t.port, t.reached = forger, true
	return nil
}

// pause waits for the time between two looks.
func (t *trial) pause() { t.sleep(t.Poll) }

func (t *trial) sleep(d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-t.ctx.Done():
		if t.err == nil {
			t.err = t.ctx.Err()
		}
	}
}

// read reads a block. It is nil where the controller may not be asked for it.
func (t *trial) read(id handshake.ID, entry int) []uint16 {
	words := make([]uint16, handshake.Words(id))
	err := t.reach(func(ctx context.Context, p link.Forger) error {
		return p.Read(ctx, link.Span{Block: id, Entry: entry, Dst: words})
	}, true)
	if err == nil {
		return words
	}
	if !link.ClassOf(err).Answered() && t.err == nil {
		t.err = err
	}
	return nil
}

// tries is how often an invalid view is read again before it is a failure.
const tries = 50

// look reads REQ until it is valid, and keeps the heartbeat going.
func (t *trial) look() handshake.Request {
	t.beat()
	for n := 0; t.err == nil; n++ {
		words := t.read(handshake.REQ, 0)
		if t.err != nil {
			break
		}
		var r handshake.Request
		err := errors.New("REQ is not given out")
		if words != nil {
			err = handshake.DecodeRequest(words, &r)
		}
		if err == nil {
			t.last, t.lastWords = r, words
			return r
		}
		if n == tries {
			t.lastWords = words
			t.fail("REQ is not valid %d times in a row: %v", tries, err)
			break
		}
		t.pause()
	}
	return t.last
}

// send writes words to a block, after the journal has them.
func (t *trial) send(id handshake.ID, words []uint16) {
	if t.err != nil {
		return
	}
	if t.err = t.out.Journal(t.ctx, record.Frame{Case: t.proving.name, Block: id.String(), Words: slices.Clone(words)}); t.err != nil {
		return
	}
	err := t.reach(func(ctx context.Context, p link.Forger) error { return p.Forge(ctx, id, words) }, false)
	beats := id == handshake.HEARTBEAT
	if err != nil {
		// A heartbeat that is lost is followed by another; the next look dials again.
		if class := link.ClassOf(err); !beats || class != link.Down && class != link.Unknown {
			t.err = err
		}
		return
	}
	if !beats {
		t.sent = slices.DeleteFunc(t.sent, func(f Frame) bool { return f.Block == id.String() })
		t.sent = append(t.sent, Frame{id.String(), "written", slices.Clone(words)})
	}
}

// heartbeatEvery is how often a heartbeat is written.
const heartbeatEvery = 500 * time.Millisecond

// beat writes a heartbeat when it is time and the session is in force.
func (t *trial) beat() {
	if t.silent || t.err != nil || t.session == (handshake.Session{}) || t.last.Active != t.session || time.Since(t.beatAt) < heartbeatEvery {
		return
	}
	t.beatAt = time.Now()
	t.beatCount++
	t.send(handshake.HEARTBEAT, encoded(&handshake.Heartbeat{Count: t.beatCount, Session: t.session, State: 4}, handshake.HeartbeatWords))
}

// block is one of the blocks that the gateway writes.
type block interface{ Encode(dst []uint16) error }

// encoded are the words of a block.
func encoded(b block, n int) []uint16 {
	w := make([]uint16, n)
	if err := b.Encode(w); err != nil {
		panic(err) // the length is that of the block, and tags are those that were read
	}
	return w
}

// seal gives words a checksum that holds.
func seal(w []uint16) []uint16 {
	n := len(w) - 2
	crc := handshake.CRC(w[:n])
	w[n], w[n+1] = uint16(crc>>16), uint16(crc)
	return w
}

// until looks until what is wanted holds, and fails after the limit.
func (t *trial) until(limit time.Duration, what string, holds func(*handshake.Request) bool) handshake.Request {
	for began := time.Now(); ; t.pause() {
		r := t.look()
		if t.err != nil || holds(&r) {
			return r
		}
		if time.Since(began) > limit {
			t.fail("%s within %v: not seen; %s", what, limit, stateText(&r))
			return r
		}
	}
}

// always looks for a time, and fails when what is wanted does not hold.
func (t *trial) always(during time.Duration, what string, holds func(*handshake.Request) bool) {
	t.watch(during, func(r *handshake.Request) {
		t.must(holds(r), "%s: %s, session %d", what, stateText(r), r.Active.Epoch)
	})
}

// watch judges each look for a time, the last one at its end.
func (t *trial) watch(during time.Duration, judge func(*handshake.Request)) {
	for began := time.Now(); t.err == nil; t.pause() {
		if r := t.look(); t.err == nil {
			judge(&r)
		}
		if time.Since(began) >= during {
			return
		}
	}
}

// stateText is what a failure tells of the state that was seen.
func stateText(r *handshake.Request) string {
	return fmt.Sprintf("phase %s, flags %02X, request %d, result %s of offer %d",
		r.Phase, uint16(r.Flags), r.Req, handshake.VerdictText(r.ResultVerdict, r.ResultReason), r.ResultOffer)
}

// settle is how long is looked to be sure that nothing changes.
func (t *trial) settle() time.Duration { return 300*time.Millisecond + 3*t.Publication }

// act has a person do something at the controller, and keeps the heartbeat going.
func (t *trial) act(a Act) {
	t.ask("the act "+a.Name, func(ctx context.Context) error { return t.out.Act(ctx, a) })
}

// sees asks a person to look.
func (t *trial) sees(s Sight) (seen bool) {
	t.ask("a look at "+s.Name, func(ctx context.Context) (err error) {
		seen, err = t.out.See(ctx, s)
		return err
	})
	return seen
}

// ask waits for a person.
func (t *trial) ask(what string, of func(context.Context) error) {
	if t.err != nil {
		return
	}
	done := make(chan error, 1)
	go func() { done <- of(t.ctx) }()
	timer := time.NewTimer(t.Poll)
	defer timer.Stop()
	for {
		select {
		case err := <-done:
			if t.err == nil && errors.Is(err, ErrNotDone) {
				t.skip("it needs %s, which was not done", what)
			} else if t.err == nil {
				t.err = err
			}
			return
		case <-timer.C:
			if t.err == nil {
				t.look()
			}
			timer.Reset(t.Poll)
		}
	}
}
