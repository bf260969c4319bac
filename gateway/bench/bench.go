// Package bench runs the steps of an acceptance on a controller at a bench. Nothing
// that can move is connected to it: people bring each roll with sensors that they
// simulate, and say what became of it, while the gateway holds or offers recipes as it
// does on a line.
//
// It is admitted by the questions of a proof of the controller's program, and by a named
// person's word on the outputs, for a recipe is offered outside of maintenance alone. The
// line is armed for the rolls and the time of the plan only, and disarmed whatever
// happens. It never starts anything, and asks nobody to.
package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/acceptance"
	"lapgate/gateway/conform"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/recipe"
)

// Settings are what a run is told.
type Settings struct {
	Admission conform.Settings // also who answers for it, and how long is waited for the controller
	User      string           // of the operating system, that it is done as
	Line      *recipe.Line
	Steps     []acceptance.Step
	Journal   string        // path of the journal of the line, that the gateway writes
	PerRoll   time.Duration // longest time that one roll may take, with all that people do
}

// Outside is the world of a run.
type Outside struct {
	// Conform has the dialer of the admission, what a person types, and who acts.
	Conform conform.Outside
	// Gateway are the options of the gateway that serves the line, and it alone.
	// OnRecord is set by the run.
	Gateway gateway.Options
	// Begun is called before the gateway opens its journal, so that a run that is
	// refused leaves nothing.
	Begun func() error
	// Tell shows people a text.
	Tell func(string)
}

// reason stands in the records.
const reason = "the steps of an acceptance at a bench; drives, heat and hydraulics are answered for as locked out, outputs as disconnected"

// Run runs the steps, and returns what was observed of them. Without an observation the
// error says why the line was not armed: a *conform.RefusedError where an answer was not
// the one wanted, or the controller is not fit. A run that ends early is observed as far
// as it came, and a check of it fails.
func Run(ctx context.Context, s Settings, out Outside) (*acceptance.Observed, error) {
	r := &run{Settings: s, out: &out, seen: make([]acceptance.Observation, len(s.Steps)), rolls: make([][]number, len(s.Steps))}
	n := 0
	for i := range s.Steps {
		if r.seen[i].Why = NotPlayed(&s.Steps[i]); r.seen[i].Why == "" {
			n += len(s.Steps[i].Tags())
		}
	}
	if n == 0 {
		return nil, &conform.RefusedError{Text: "no step of the plan can be run at a bench: " + r.seen[0].Why}
	}
	if err := r.admit(ctx); err != nil {
		return nil, err
	}
	if err := out.Begun(); err != nil {
		return nil, err
	}
	g, err := r.newGateway()
	if err != nil {
		return nil, err
	}
	ended := make(chan error, 1)
	go func() {
		defer r.tap.close() // without a gateway nothing will come
		ended <- g.Run(context.WithoutCancel(ctx))
	}()
	within, cancel := context.WithTimeoutCause(ctx, time.Duration(n)*s.PerRoll, errors.New("the time for all rolls of the plan is over"))
	armed, stepErr := r.served(within, n)
	cancel()
	stepErr = errors.Join(stepErr, r.disarm(ctx))
	g.Stop()
	gatewayErr := <-ended
	r.goBack(ctx)
	if !armed {
		return nil, errors.Join(stepErr, gatewayErr)
	}
	return r.observe(context.WithoutCancel(ctx), gatewayErr, stepErr)
}

// number is a roll as the controller calls it.
type number struct{ boot, roll uint32 }

// run is a plan on its way.
type run struct {
	Settings
	out     *Outside
	gateway *gateway.Gateway
	tap     tap

	seen  []acceptance.Observation // why a step was not run
	rolls [][]number               // of each step, as they came
	left  bool                     // a person was asked to leave maintenance
}

// admit asks all that must be sure before the gateway is made.
func (r *run) admit(ctx context.Context) error {
	r.out.Tell(Cautions())
	seen, err := conform.Admit(ctx, r.Admission, r.out.Conform)
	switch {
	case err != nil:
		return err
	case seen.Flags&handshake.LimitsPublished == 0:
		return &conform.RefusedError{Text: "the controller publishes no limits (flag 7 of REQ is off), and at a bench they are what bounds a recipe; enter the limits of the machine at the controller"}
	case seen.Phase != handshake.Empty:
		return &conform.RefusedError{Text: fmt.Sprintf("the phase is %s, want %s; take away whatever lies at the station, and begin again", seen.Phase, handshake.Empty)}
	}
	by := r.Admission.By
	typed, err := r.out.Conform.Type(ctx, "Recipes are offered outside of maintenance, and the program may act on one that it accepts. All outputs of the controller to drives, heat "+
		"and hydraulics are disconnected, and nothing connected to it can move. Type the name of the person who saw that and answers for it, "+by+", in full: ")
	if err != nil {
		return err
	}
	if typed != by {
		return &conform.RefusedError{Text: fmt.Sprintf("%q answers for the disconnected outputs, and %q was typed; nothing was written", by, typed)}
	}
	return nil
}

func (r *run) newGateway() (*gateway.Gateway, error) {
	r.tap.news = make(chan struct{}, 1)
	options := r.out.Gateway
	options.OnRecord = func(_ string, s record.Stored) { r.tap.add(s.Record) }
	g, err := gateway.New(options)
	r.gateway = g
	return g, err
}

// served leaves maintenance, arms the line for so many rolls, and runs the steps.
func (r *run) served(ctx context.Context, rolls int) (armed bool, err error) {
	r.left = true
	if err := r.act(ctx, actLeave); err != nil {
		return false, err
	}
	if err := r.empty(ctx); err != nil {
		return false, err
	}
	until, _ := ctx.Deadline() // Run gave it one
	who := gateway.Person{By: r.Admission.By, User: r.User}
	if _, err := r.gateway.Arm(ctx, r.Line.Name, who, reason, &record.Lasting{Until: until, Rolls: rolls}); err != nil {
		return false, err
	}
	for i := range r.Steps {
		if r.seen[i].Why != "" {
			continue
		}
		if err = r.step(ctx, i); err == nil {
			continue
		}
		r.seen[i].Why = err.Error()
		for k := i + 1; k < len(r.Steps); k++ {
			if r.seen[k].Why == "" {
				r.seen[k].Why = "the run ended early, in step " + r.Steps[i].Name
			}
		}
		return true, fmt.Errorf("step %s: %w", r.Steps[i].Name, err)
	}
	return true, nil
}

// empty waits until the gateway sees an empty station.
func (r *run) empty(ctx context.Context) error {
	if !r.until(ctx, func() bool {
		return slices.ContainsFunc(r.gateway.Lines(), func(l status.Line) bool {
			return l.Name == r.Line.Name && l.Connected && l.Machine.Seen && l.Machine.Phase == handshake.Empty
		})
	}) {
		return errors.Join(context.Cause(ctx), fmt.Errorf("the gateway saw no empty station within %s; take away whatever lies there", r.Admission.ActLimit))
	}
	return nil
}

// until looks again and again for the longest time that an act takes to show.
func (r *run) until(ctx context.Context, holds func() bool) bool {
	ctx, cancel := context.WithTimeout(ctx, r.Admission.ActLimit)
	defer cancel()
	again := time.NewTicker(r.Admission.Poll)
	defer again.Stop()
	for !holds() {
		select {
		case <-again.C:
		case <-ctx.Done():
			return false
		}
	}
	return true
}

// step runs one step. The error ends the run; where people did not bring a roll, the
// step alone is not run.
func (r *run) step(ctx context.Context, at int) (err error) {
	s := &r.Steps[at]
	if s.Act == acceptance.HoldAll {
		if err := r.hold(ctx, true); err != nil {
			return err
		}
		defer func() {
			if err == nil { // else a roll may lie there still, and the line is armed
				err = r.hold(ctx, false)
			}
		}()
	}
	for _, tag := range s.Tags() {
		within, cancel := context.WithTimeoutCause(ctx, r.PerRoll, fmt.Errorf("roll %s took longer than %s", tag, r.PerRoll))
		err := r.roll(within, at, tag)
		cancel()
		var skipped *skipError
		switch {
		case errors.As(err, &skipped):
			r.seen[at].Why, r.rolls[at] = skipped.Error(), nil
			return nil
		case err != nil:
			return err
		}
	}
	return nil
}

func (r *run) hold(ctx context.Context, on bool) error {
	return r.gateway.Hold(ctx, r.Line.Name, cycle.HoldAll{On: on, By: r.Admission.By, User: r.User, Reason: "a step of the plan"})
}

// disarm ends what Arm allowed, whatever happened and whether or not it was allowed.
func (r *run) disarm(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), r.Admission.ActLimit)
	defer cancel()
	return r.gateway.Disarm(ctx, r.Line.Name, gateway.Person{By: r.Admission.By, User: r.User}, "the steps of the acceptance at a bench are over")
}

// goBack has a person put the line back into maintenance. It is said, and not asked,
// where the run was interrupted, and where nobody answers, for the report is to come.
func (r *run) goBack(ctx context.Context) {
	if !r.left {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, r.PerRoll)
	defer cancel()
	if ctx.Err() != nil || r.out.Conform.Act(ctx, actReturn) != nil {
		r.out.Tell(actReturn.Text + " " + actReturn.Caution)
	}
}
