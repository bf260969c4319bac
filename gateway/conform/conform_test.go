package conform_test

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/conform"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
)

// proof is what a proof came to.
type proof struct {
	*conform.Report
	err     error
	records []record.Record
}

func settings(r *rig) conform.Settings {
	return conform.Settings{
		Line: "north", Address: "192.0.2.10:502", By: "Kim Berg", Permissives: r.cfg.Permissives,
		Publication: r.cfg.Publish, CommitTTL: r.cfg.CommitTTL, HeartbeatLoss: r.cfg.HeartbeatLoss,
		Poll: scan, Reconnect: 10 * time.Second, Reaction: 2500 * time.Millisecond, ActLimit: 5 * time.Second, RequestTimeout: time.Second, AcceptRecipes: true,
	}
}

// typed answers the questions of a proof in their order, and agrees to the rest.
func typed(answers ...string) func(context.Context, string) (string, error) {
	return func(context.Context, string) (string, error) {
		if len(answers) == 0 {
			return conform.Agreed, nil
		}
		a := answers[0]
		answers = answers[1:]
		return a, nil
	}
}

// prove proves a rig over the link in memory, in virtual time.
func prove(t *testing.T, r *rig, change func(*conform.Settings, *conform.Outside)) (p proof) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		r.ctx, r.mem = ctx, memory.NewImage()
		r.beside.Go(func() { r.run(ctx) })
		<-time.After(scan)
		s := settings(r)
		n := uint32(0)
		out := conform.Outside{
			Dialer: &memory.Dialer{Image: r.mem}, Type: typed("north", conform.LockedOut), Act: r.act, See: r.see,
			Journal: func(_ context.Context, rec record.Record) error { p.records = append(p.records, rec); return nil },
			Random:  func() uint32 { n += 0x9E3779B9; return n },
		}
		if change != nil {
			change(&s, &out)
		}
		p.Report, p.err = conform.Run(ctx, s, out)
		cancel()
		r.beside.Wait()
	})
	return p
}

const maintenance = 2

func (p *proof) of(t *testing.T, name string) conform.Result {
	t.Helper()
	if p.Report == nil {
		t.Fatal(p.err)
	}
	i := slices.IndexFunc(p.Results, func(r conform.Result) bool { return r.Case == name })
	if i < 0 {
		t.Fatalf("no case %s", name)
	}
	return p.Results[i]
}

// A controller that keeps every rule passes every case.
func TestSoundControllerPasses(t *testing.T) {
	p := prove(t, newRig("", maintenance), nil)
	if p.err != nil {
		t.Fatal(p.err)
	}
	for _, r := range p.Results {
		if r.Outcome != conform.Passed {
			t.Errorf("%s: %s: %s", r.Case, r.Outcome, r.Why)
			for _, f := range r.Frames {
				t.Log(f)
			}
		}
	}
	if want := len(conform.Cases()); p.Passed != want || p.Failed+p.NotRun != 0 {
		t.Errorf("%d passed, %d failed, %d not run; want %d passed", p.Passed, p.Failed, p.NotRun, want)
	}
}

// Each case brings about what it needs itself.
func TestEachCaseAlone(t *testing.T) {
	for _, c := range conform.Cases() {
		t.Run(c.Name, func(t *testing.T) {
			t.Parallel()
			p := prove(t, newRig("", maintenance), func(s *conform.Settings, _ *conform.Outside) { s.Only = []string{c.Name} })
			if r := p.of(t, c.Name); r.Outcome != conform.Passed {
				t.Errorf("%s: %s", r.Outcome, r.Why)
			}
		})
	}
}

// A disk that is slow stretches the time between two frames, and the controller
// scans in between: that is no fault of its program.
func TestSlowJournalFailsNoSoundController(t *testing.T) {
	for _, takes := range []time.Duration{scan / 3, scan / 2, scan * 3 / 4} {
		t.Run(takes.String(), func(t *testing.T) {
			t.Parallel()
			p := prove(t, newRig("", maintenance), func(_ *conform.Settings, out *conform.Outside) {
				journal := out.Journal
				out.Journal = func(ctx context.Context, rec record.Record) error {
					<-time.After(takes)
					return journal(ctx, rec)
				}
			})
			if p.err != nil {
				t.Fatal(p.err)
			}
			for _, r := range p.Results {
				if r.Outcome != conform.Passed {
					t.Errorf("%s: %s: %s", r.Case, r.Outcome, r.Why)
				}
			}
		})
	}
}
