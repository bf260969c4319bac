// Package rehearse lets the daemon wrap shifts on the simulator: a simulated
// line that is made like a configured one, the transport between the two, and
// the proof that the daemon's journal accounts for each roll that the line saw.
// It is the one room that knows both sides; they do not know each other.
package rehearse

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"lapgate/gateway"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/sim"
)

// Wrap runs a simulated line and the daemon until the shift ends or the context
// does, and returns what the line reports and the errors of both.
func Wrap(ctx context.Context, g *gateway.Gateway, line *sim.Sim) (report *sim.Report, gatewayErr, lineErr error) {
	ended := make(chan error, 1)
	shift, endShift := context.WithCancel(ctx)
	defer endShift()
	go func() {
		err := g.Run(context.WithoutCancel(ctx))
		endShift() // without a daemon the shift cannot end
		ended <- err
	}()
	report, lineErr = line.Run(shift)
	g.Stop()
	return report, <-ended, lineErr
}

// Result is what a rehearsal found.
type Result struct {
	Journal  string          `json:"journal"`
	Shift    *sim.Report     `json:"shift"`
	Verified *journal.Report `json:"verified"`
	Missing  []string        `json:"missing"`
	Problems []string        `json:"problems"`
	// Noticed are the faults of the process that the journal shows.
	Noticed []process.Found `json:"noticed"`
	// Stated is how often what was stated with a chance came about.
	Stated []report.Reliable `json:"stated"`

	judged report.Reliability
}

// Examine holds the report of the simulated line against the journal at path, that
// of a configured line.
func Examine(ctx context.Context, path string, line *recipe.Line, shift *sim.Report) (*Result, error) {
	ctx = context.WithoutCancel(ctx)
	r := &Result{Journal: path, Shift: shift, Missing: []string{}, Problems: []string{}}
	var err error
	if r.Verified, err = journal.Verify(ctx, path); err != nil {
		return nil, err
	}
	for _, problem := range r.Verified.Sentences() {
		r.Problems = append(r.Problems, "journal: "+problem)
	}
	if r.Missing, err = Unaccounted(ctx, path, shift); err != nil {
		return nil, err
	}
	r.Problems = append(r.Problems, r.Missing...)
	if err := r.lookBack(ctx, line); err != nil {
		return nil, err
	}
	if err := shift.Err(); err != nil {
		r.Problems = append(r.Problems, strings.Split(err.Error(), "\n")...)
	}
	if len(shift.Rolls) != shift.Planned {
		r.Problems = append(r.Problems, fmt.Sprintf("%d rolls left the line, want the %d of the shift", len(shift.Rolls), shift.Planned))
	}
	return r, nil
}

// ExaminePair holds the report of a simulated line against the journals of two machines
// that served it one after the other: each roll is in one of them, or in a gap.
func ExaminePair(ctx context.Context, paths [2]string, line *recipe.Line, shift *sim.Report) (*Result, error) {
	r, err := Examine(ctx, paths[0], line, shift)
	if err != nil {
		return nil, err
	}
	other, err := Examine(ctx, paths[1], line, shift)
	if err != nil {
		return nil, err
	}
	missing := slices.DeleteFunc(slices.Clone(r.Missing), func(m string) bool { return !slices.Contains(other.Missing, m) })
	problems := slices.Clone(missing)
	for _, one := range []*Result{r, other} {
		for _, problem := range one.Problems {
			if !slices.Contains(one.Missing, problem) && !slices.Contains(problems, problem) {
				problems = append(problems, problem)
			}
		}
	}
	r.Missing, r.Problems = missing, problems
	return r, nil
}

// Watch joins what the daemon records with what the line says of each roll. It
// may be used by several goroutines.
type Watch struct {
	mu     sync.Mutex
	offers map[string]record.Intent // the newest, by tag
	holds  map[string][]string      // codes of the holds before it, by tag
}

// Recorded takes a record of the daemon.
func (w *Watch) Recorded(_ string, s record.Stored) {
	r, ok := s.Record.(record.Intent)
	if !ok {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.offers == nil {
		w.offers, w.holds = map[string]record.Intent{}, map[string][]string{}
	}
	if before, offered := w.offers[r.Tag]; offered && before.Form == handshake.KindHold {
		code, _ := HeldFor(&before)
		w.holds[r.Tag] = append(w.holds[r.Tag], code)
	}
	w.offers[r.Tag] = r
}

// Offer is the newest offer for the roll of a tag, nil for none, and what the
// roll was held for before.
func (w *Watch) Offer(tag string) (offer *record.Intent, heldBefore []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if i, ok := w.offers[tag]; ok {
		offer = &i
	}
	return offer, w.holds[tag]
}

// HeldFor is the code and the sentence of what a roll was held for.
func HeldFor(i *record.Intent) (code, text string) {
	for _, f := range i.Findings {
		if f.Severity == recipe.Hold {
			return string(f.Code), f.Text
		}
	}
	return i.HoldReason.String(), ""
}
