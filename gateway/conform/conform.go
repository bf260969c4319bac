// Package conform proves the program of a controller. It stands in for the
// gateway, drives the controller through the conformance list of the handshake
// and through each rule of its section 6, case by case, and keeps the words of
// each failure.
//
// What only a person can bring about, such as a roll that is taken away, the
// person is asked to do at the controller, with the cautions that belong to it.
// What no register shows, such as an output, the person is asked to look at. A
// case that nobody brought about is not run, and never counts as passed.
//
// Nothing reaches the controller before it stands in the journal of the proof.
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

// Settings are what a proof is told of the line.
type Settings struct {
	Line     string
	Address  string // of the controller
	Loopback bool   // the address is this machine
	By       string // who answers for it

	Permissives   uint32        // bits that must be on
	Publication   time.Duration // longest time between two publications
	CommitTTL     time.Duration
	HeartbeatLoss time.Duration

	Poll           time.Duration // between two looks at the controller
	Reconnect      time.Duration // longest wait for a controller that starts again
	Reaction       time.Duration // longest wait for what comes of a block: some scans, publications and requests
	ActLimit       time.Duration // longest wait for what an act at the controller changes
	RequestTimeout time.Duration

	AcceptRecipes bool     // cases that offer a recipe are asked for; otherwise they are not run
	Only          []string // names of the cases to run; all for none
}

// Outside is the world of a proof.
type Outside struct {
	Dialer link.Dialer
	// Journal makes a record durable. Nothing is written that it refused.
	Journal func(context.Context, record.Record) error
	// Type returns what a person typed.
	Type func(ctx context.Context, question string) (string, error)
	// Act returns when a person did the act. ErrNotDone says that nobody will.
	Act func(context.Context, Act) error
	// See returns what a person sees. ErrNotDone says that nobody looks.
	See func(context.Context, Sight) (bool, error)
	// Told is called with each result as it comes, and may be nil.
	Told func(Result)
	// Random returns a number of the operating system for the name of a session.
	Random func() uint32
}

// ErrNotDone is returned where nobody does an act, or nobody looks.
var ErrNotDone = errors.New("not done")

// LockedOut is what has to be typed before anything is written.
const LockedOut = "locked out"

// Agreed is what has to be typed before a case that offers a recipe.
const Agreed = "yes"

// RefusedError says why nothing was begun.
type RefusedError struct{ Text string }

func (e *RefusedError) Error() string { return e.Text }

// Outcome of a case.
type Outcome string

// The outcomes.
const (
	Passed Outcome = "passed"
	Failed Outcome = "failed"
	NotRun Outcome = "not run"
)

// Frame is words of one block, as they were written or read.
type Frame struct {
	Block string `json:"block"`
	Way   string `json:"way"` // written, read
	Words Words  `json:"words"`
}

// Words are printed in hexadecimal.
type Words []uint16

// String writes the words as the worked example of the handshake does.
func (w Words) String() string {
	out := make([]byte, 0, 5*len(w))
	for i, x := range w {
		if i > 0 {
			out = append(out, ' ')
		}
		out = fmt.Appendf(out, "%04X", x)
	}
	return string(out)
}

// MarshalText spells the words for programs.
func (w Words) MarshalText() ([]byte, error) { return []byte(w.String()), nil }

// String tells the frame on one line.
func (f Frame) String() string { return f.Way + " " + f.Block + " " + f.Words.String() }

// Result is what became of one case.
type Result struct {
	Case    string  `json:"case"`
	Rule    string  `json:"rule"` // section of the handshake
	Title   string  `json:"title" label:"what is proved"`
	Outcome Outcome `json:"outcome"`
	Why     string  `json:"why,omitempty" print:"below"`
	Frames  []Frame `json:"frames,omitempty" print:"below"` // of a failure, the newest last
}

// Report is the pass list.
type Report struct {
	Line    string    `json:"line"`
	Address string    `json:"address" label:"controller"`
	By      string    `json:"by"`
	Began   time.Time `json:"began"`
	Ended   time.Time `json:"ended"`
	Passed  int       `json:"passed"`
	Failed  int       `json:"failed"`
	NotRun  int       `json:"not_run" label:"not run"`
	// FloorBefore and FloorAfter are the floor of the epochs, 0 none.
	FloorBefore uint32   `json:"floor_before" label:"epoch floor before"`
	FloorAfter  uint32   `json:"floor_after" label:"epoch floor after"`
	Results     []Result `json:"cases" print:"csv"`
	Notes       []string `json:"notes" label:""`
}

// Run proves a controller. The error says that nothing was begun (*RefusedError),
// or that the proof ended early; the report then has what was proved until then.
func Run(ctx context.Context, s Settings, out Outside) (*Report, error) {
	cases, err := chosen(s.Only)
	if err != nil {
		return nil, err
	}
	t := &trial{Settings: &s, out: &out, beatCount: uint16(out.Random())}
	defer t.hangUp()
	r := &Report{Line: s.Line, Address: s.Address, By: s.By, Began: time.Now()}
	if err := t.admit(ctx); err != nil {
		return nil, err
	}
	if err := t.out.Journal(ctx, record.Mode{Armed: true, By: t.By, Controller: t.Address,
		Reason: "proof of the controller's program; drives, heat and hydraulics are answered for as locked out"}); err != nil {
		return nil, err
	}
	r.FloorBefore = t.last.Floor
	for i := range cases {
		res, err := t.run(ctx, &cases[i])
		if err != nil {
			for _, c := range cases[i:] {
				r.add(Result{Case: c.name, Rule: c.rule, Title: c.title, Outcome: NotRun, Why: "the proof ended early: " + err.Error()})
			}
			r.finish(t)
			return r, err
		}
		r.add(res)
		if out.Told != nil {
			out.Told(res)
		}
	}
	t.leave(ctx)
	r.finish(t)
	return r, nil
}

// leave ends the session of the proof as a gateway does that ends: by silence.
func (t *trial) leave(ctx context.Context) {
	t.begin(ctx, &testCase{name: "leaving"})
	if t.silent = true; t.session != (handshake.Session{}) {
		t.sleep(t.settle()) // a heartbeat may just be on its way
		t.stopBeating()     // what is wrong with it, a case has told
	}
}

func (r *Report) add(res Result) {
	r.Results = append(r.Results, res)
	switch res.Outcome {
	case Passed:
		r.Passed++
	case Failed:
		r.Failed++
	default:
		r.NotRun++
	}
}

func (r *Report) finish(t *trial) {
	r.Ended, r.FloorAfter = time.Now(), t.last.Floor
	r.Notes = []string{
		fmt.Sprintf("The epoch floor moved from %d to %d. The gateway takes an epoch above it by itself.", r.FloorBefore, r.FloorAfter),
		"Rolls and outcomes of this proof stand in its own journal. The journal of the daemon will show a gap over them.",
		"A proof over the wire is no inspection of the program: what happens between two scans it sees by chance alone. " +
			"Guards, emergency stop and temperature cut-outs are not part of it.",
	}
	if t.memoryLost {
		r.Notes = append(r.Notes, "The controller's memory was cleared. The daemon refuses a boot number of before, writes a gap, and goes on with the new one.")
	}
}

// run runs one case.
func (t *trial) run(ctx context.Context, c *testCase) (Result, error) {
	res := Result{Case: c.name, Rule: c.rule, Title: c.title, Outcome: Passed}
	t.begin(ctx, c)
	if c.recipe {
		t.askForRecipe()
	}
	if t.err == nil {
		c.prove(t)
	}
	var failed *failure
	var skipped *skip
	switch {
	case t.err == nil:
	case errors.As(t.err, &failed):
		res.Outcome, res.Why, res.Frames = Failed, failed.text, t.frames()
	case errors.As(t.err, &skipped):
		res.Outcome, res.Why = NotRun, skipped.text
	default:
		return res, t.err
	}
	return res, nil
}

// askForRecipe asks before a case that offers a recipe.
func (t *trial) askForRecipe() {
	if !t.AcceptRecipes {
		t.err = &skip{"it offers a recipe; run it with --accept-recipes"}
		return
	}
	answer, err := t.out.Type(t.ctx, fmt.Sprintf("Case %s (%s) offers a recipe, which the controller may accept. Type %s to run it: ", t.proving.name, t.proving.title, Agreed))
	switch {
	case err != nil:
		t.err = err
	case answer != Agreed:
		t.err = &skip{"it offers a recipe, and nobody agreed to that"}
	}
}

// Admit asks what must be sure before anything is written to a controller that is
// proved, and writes nothing itself: that it is in maintenance or on this machine, that
// no gateway serves it, which line it is, and that a person answers for the lock-out. It
// returns the newest view of the controller. Of the world it needs the dialer and Type.
// The error is a *RefusedError where an answer was not the one wanted.
func Admit(ctx context.Context, s Settings, out Outside) (handshake.Request, error) {
	t := &trial{Settings: &s, out: &out}
	defer t.hangUp()
	err := t.admit(ctx)
	return t.last, err
}

// admit is Admit over the link of a proof.
func (t *trial) admit(ctx context.Context) error {
	t.begin(ctx, &testCase{name: "admission"})
	seen := t.look()
	if t.err != nil {
		return t.err
	}
	if seen.UnitMode != maintenance && !t.Loopback {
		return &RefusedError{fmt.Sprintf("the unit mode is %s (%d), want maintenance (%d), or an address of this machine; "+
			"put the line into maintenance at the controller", handshake.ModeName(seen.UnitMode), seen.UnitMode, maintenance)}
	}
	if alive(&seen) {
		return &RefusedError{"a gateway is alive at this controller (flag 4 of REQ); stop the daemon, or disarm its line, and begin again"}
	}
	if err := t.strangers(); err != nil {
		return err
	}
	typed, err := t.out.Type(ctx, fmt.Sprintf("This proof drives the controller of line %s at %s. Type the name of the line in full: ", t.Line, t.Address))
	if err != nil {
		return err
	}
	if typed != t.Line {
		return &RefusedError{fmt.Sprintf("the line is %q, and %q was typed; nothing was written", t.Line, typed)}
	}
	typed, err = t.out.Type(ctx, "Drives, heat and hydraulics are locked out, stored pressure is let off, and you have tried to start. "+
		"Type "+LockedOut+" to answer for it: ")
	if err != nil {
		return err
	}
	if typed != LockedOut {
		return &RefusedError{"nobody answered that drives, heat and hydraulics are locked out; nothing was written"}
	}
	return nil
}

// maintenance is the unit mode in which a controller may be proved.
const maintenance = 2

// strangers watches for the heartbeat of another gateway.
func (t *trial) strangers() error {
	before := t.read(handshake.HEARTBEAT, 0)
	// Longer than any heartbeat takes to be lost.
	for began := time.Now(); t.err == nil && time.Since(began) <= t.HeartbeatLoss; t.pause() {
		seen := t.look()
		if now := t.read(handshake.HEARTBEAT, 0); before != nil && now != nil && !slices.Equal(before, now) || alive(&seen) {
			return &RefusedError{"a heartbeat of another gateway moves; stop it and begin again"}
		}
	}
	return t.err
}
