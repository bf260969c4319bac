package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/conform"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// skipError says that people did not bring the roll of a step.
type skipError struct{ tag string }

func (e *skipError) Error() string { return "nobody brought roll " + e.tag }

// mostActs bounds what people are asked for one roll, as where what holds it is not put
// right.
const mostActs = 6

// roll has people bring one roll, and do with it what the answers of the gateway call
// for, until it left.
func (r *run) roll(ctx context.Context, at int, tag string) error {
	s := &r.Steps[at]
	if err := r.empty(ctx); err != nil {
		return err
	}
	err := r.act(ctx, bring(r.Line, s, tag))
	if errors.Is(err, conform.ErrNotDone) {
		return &skipError{tag}
	}
	if err != nil {
		return err
	}
	came, err := r.arrived(ctx, tag)
	if err != nil {
		return err
	}
	r.rolls[at] = append(r.rolls[at], came)
	for range mostActs {
		verdict, err := r.answered(ctx, came)
		if err != nil {
			return fmt.Errorf("roll %s: %w", tag, err)
		}
		if verdict == handshake.NoVerdict { // it left
			return r.permit(ctx, s)
		}
		act := next(s, verdict)
		act.Roll = tag
		if err := r.act(ctx, act); err != nil {
			return fmt.Errorf("roll %s: %w", tag, err)
		}
	}
	return fmt.Errorf("roll %s did not leave after %d acts", tag, mostActs)
}

// permit has the permissive of a step given back.
func (r *run) permit(ctx context.Context, s *acceptance.Step) error {
	if s.Roll.Permissive == 0 {
		return nil
	}
	return r.act(ctx, actPermit)
}

// act has a person do something.
func (r *run) act(ctx context.Context, a conform.Act) error {
	err := r.out.Conform.Act(ctx, a)
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		err = context.Cause(ctx)
	}
	return fmt.Errorf("act %s: %w", a.Name, err)
}

// arrived waits for the request of the roll that was brought. A roll is named by its tag,
// or where the controller has none, by its number.
func (r *run) arrived(ctx context.Context, tag string) (n number, err error) {
	var other error
	err = r.await(ctx, "a request for roll "+tag, func(rec record.Record) bool {
		q, ok := rec.(record.Request)
		if !ok {
			return false
		}
		if n = (number{q.Token.Boot, q.Roll}); q.Measured.Tag != "" && q.Measured.Tag != tag {
			other = fmt.Errorf("roll %s came, where roll %s was asked for", q.Measured.Tag, tag)
		} else if slices.ContainsFunc(r.rolls, func(all []number) bool { return slices.Contains(all, n) }) {
			other = fmt.Errorf("roll %d asked again, where roll %s was asked for", q.Roll, tag)
		}
		return true
	})
	return n, errors.Join(err, other)
}

// answered waits for the next verdict on an offer for a roll. There is none where the
// roll left.
func (r *run) answered(ctx context.Context, n number) (verdict handshake.Verdict, err error) {
	err = r.await(ctx, "an answer", func(rec record.Record) bool {
		switch rec := rec.(type) {
		case record.Verdict:
			verdict = rec.Verdict
			return rec.Roll == n.roll && verdict != handshake.NoVerdict
		case record.Outcome:
			verdict = handshake.NoVerdict
			return rec.Outcome.RollNo == n.roll
		case record.Gap:
			verdict = handshake.NoVerdict
			return rec.FromRoll != 0 && rec.FromRoll <= n.roll && (rec.ToRoll == 0 || n.roll <= rec.ToRoll)
		}
		return false
	})
	return verdict, err
}

// await takes the records of the line until one is wanted. The error says that the line
// was disarmed or ended meanwhile, or that nothing came for the longest time that an act
// takes to show.
func (r *run) await(ctx context.Context, what string, wanted func(record.Record) bool) error {
	within, cancel := context.WithTimeoutCause(ctx, r.Admission.ActLimit, fmt.Errorf("%s was not seen within %s", what, r.Admission.ActLimit))
	defer cancel()
	for {
		rec, err := r.tap.next(within)
		if err != nil {
			return err
		}
		if m, ok := rec.(record.Mode); ok && !m.Armed {
			return fmt.Errorf("the line was disarmed by %s: %s", m.By, m.Reason)
		}
		if wanted(rec) {
			return nil
		}
	}
}
