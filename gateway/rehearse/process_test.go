package rehearse_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/gateway/scan"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/notice"
	"lapgate/sim"
)

// processRolls is how long the try of the faults of the process is, a moment in
// the normal run.
var processRolls = flag.Int("process-rolls", 100, "rolls that meet each fault of the process, in shifts of 50")

// reckons leaves a long reckoning of one goroutine out where tests are to be short, as
// under the race detector, which could find nothing in it.
func reckons(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("a long reckoning of one goroutine")
	}
}

// Rolls of a shift before its fault begins, and after.
const (
	rollsBefore = 50
	rollsWith   = 50
)

// watched is a simulated line of which a record is kept and watched.
type watched struct {
	line  *recipe.Line
	bench *sim.Bench
	watch process.Line
	on    []process.Finding // that stand

	history record.History
	actuals process.Actuals // of the rolls
}

func newWatched(t *testing.T, seed uint64, faults sim.ProcessConfig) *watched {
	t.Helper()
	line, c := sound(t, asConfigured)
	c.Seed, c.Process = seed, faults
	return &watched{line: line, bench: sim.NewBench(c), watch: process.Line{Recipe: line}}
}

// passed is what became of a roll on a watched line.
type passed struct {
	held  bool
	bad   []sim.DefectKind
	stood []process.Finding // when the roll asked for its recipe
	found []process.Finding // with the roll
}

// pass sends a roll through scan, recipe, checks and payload, wraps it, and hands
// its records to the watch. A roll that is held is taken away.
func (w *watched) pass(t *testing.T, n int, roll sim.Roll) passed {
	t.Helper()
	m, err := w.bench.ScanNext(n, roll)
	if err != nil {
		t.Fatal(err)
	}
	request, in := requestOf(uint32(n), &m, w.line), w.bench.Inputs()
	request.Platen, request.PlatenHot, request.SlotsReady, request.SlotOuter = in.Platen, in.PlatenHot, in.SlotsReady, in.SlotOuter
	measured, stand := scan.FromRequest(&request)
	q := record.Request{Token: handshake.Token{Boot: 1, Req: uint32(n)}, Roll: uint32(n), Diameters: request.Diameters[:], Widths: request.Widths[:]}
	q.SetMeasurement(measured, stand)
	var rec recipe.Recipe
	recipe.Compute(w.line, &measured, &stand, &rec)
	p := passed{stood: slices.Clone(w.on)}
	if p.held = recipe.Held(check.Run(w.line, &measured, &stand, &rec, nil, nil)); p.held {
		w.record(t, n, &p, q, record.Outcome{Outcome: handshake.Outcome{Index: uint32(n), RollNo: uint32(n), Boot: 1, Req: uint32(n), Outcome: handshake.Removed}})
		return p
	}
	words := payloadOf(t, roll.Tag, &request, &rec.Setpoints)
	j, err := w.bench.Wrap(words)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range j.Defects {
		p.bad = append(p.bad, d.Kind)
	}
	name := record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 1}, Offer: uint16(n)}
	w.record(t, n, &p, q, record.Intent{Token: q.Token, Roll: q.Roll, Offer: name, Form: handshake.KindRecipe, Payload: words},
		record.Commit{Roll: q.Roll, Offer: name}, record.Verdict{Roll: q.Roll, Offer: name, Verdict: handshake.Accepted},
		outcomeOf(n, w.bench, rec.Setpoints.Gross))
	return p
}

// outcomeOf is the outcome of a roll as its controller reports it.
func outcomeOf(n int, bench *sim.Bench, gross float64) record.Outcome {
	u := bench.Used()
	o := record.Outcome{Outcome: handshake.Outcome{
		Index: uint32(n), RollNo: uint32(n), Boot: 1, Req: uint32(n), Offer: uint16(n), Outcome: handshake.Wrapped,
		Slot: u.Slot, FeedLength: u.FeedLength, Layers: u.Layers, CrimpTime: u.CrimpTime, Temperature: u.Temperature, Dwell: u.Dwell,
		OuterHead: u.OuterHead, Overlap: u.Overlap, Scale: u.Scale, EncoderUsed: u.Encoder, Overhang: u.Hangs, Pressure: u.Pressure,
	}}
	if gross > 0 && u.Scale > 0 {
		o.Weighing = &record.Weighing{Gross: gross, Reading: float64(u.Scale) / 10}
	}
	return o
}

// record hands records of a roll to the watch.
func (w *watched) record(t *testing.T, n int, p *passed, records ...record.Record) {
	t.Helper()
	for _, r := range records {
		stored := record.Stored{At: time.Unix(int64(n)*120, 0), Record: r}
		found, err := w.watch.Add(stored)
		if err != nil {
			t.Fatal(err)
		}
		rolls, err := w.history.Add(stored)
		if err != nil {
			t.Fatal(err)
		}
		for _, roll := range rolls {
			w.actuals.Take(w.line, roll)
		}
		for _, f := range found {
			w.on = slices.DeleteFunc(w.on, func(o process.Finding) bool { return o.Code == f.Code && o.Of == f.Of })
			if !f.Ended {
				w.on, p.found = append(w.on, f), append(p.found, f)
			}
		}
	}
}

// known is a fault of the process with what the record can tell of it.
type known struct {
	codes []notice.Code // that tell of it
	// most is the share of its bad wraps that may go by unnoticed, and strong the
	// strength from which each shift with the fault is noticed or held.
	most, strong float64
}

// tells is what can be known of each fault. never is more than any strength.
const never = 2

var tells = map[string]known{
	"cold-platen":     {[]notice.Code{notice.PlatenCold}, 0, 0.3},
	"sensor-high":     {nil, 1, never}, // the temperature looks right
	"low-pressure":    {[]notice.Code{notice.PressureLow}, 0, 0.2},
	"wrong-wrapper":   {[]notice.Code{notice.OverhangOff, notice.WrapperWeight, notice.CaliperOff, notice.FeedCounts}, 0.5, never},
	"dirty-scanner":   {[]notice.Code{notice.ScannerPosition, notice.ScannerBlind}, 0, 0.3},
	"misshapen-rolls": {nil, 0, never}, // held, one by one
	"damp":            {nil, 1, never}, // nobody measures moisture
	"worn-feed-roll":  {[]notice.Code{notice.FeedCounts, notice.CaliperOff}, 0.25, never},
}

// watchTally counts what became of the rolls that met a fault, each beside its
// twin on the same line without it.
type watchTally struct {
	rolls, held, bad, before, after int
	seen                            int      // bad wraps that the press itself told of: it did not close
	late                            []uint32 // bad wraps of which nothing is noticed yet
	found                           map[notice.Code]int
	kinds                           map[sim.DefectKind]int
	others                          int // findings of codes that do not tell of the fault
	shifts, noticed, slowest        int
}

// take books a roll that met the fault.
func (c *watchTally) take(n int, p, twin *passed, codes []notice.Code) {
	c.rolls++
	tells := func(f process.Finding) bool { return slices.Contains(codes, f.Code) }
	if p.held && !twin.held {
		c.held++
	}
	if len(p.bad) > 0 && len(twin.bad) == 0 {
		c.bad++
		for _, k := range p.bad {
			c.kinds[k]++
		}
		switch {
		case slices.ContainsFunc(p.stood, tells):
			c.before++
		case slices.Contains(p.bad, sim.PressFailed):
			c.seen++
		default:
			c.late = append(c.late, uint32(n))
		}
	}
	for _, f := range p.found {
		c.found[f.Code]++
		if !tells(f) {
			c.others++
			continue
		}
		c.late = slices.DeleteFunc(c.late, func(roll uint32) bool {
			if roll < f.First { // not among the rolls concerned
				return false
			}
			c.after++
			return true
		})
	}
}

// shift wraps a shift with a fault beside its twin without. It returns the false
// findings: those on the twin, and those before the fault.
func (c *watchTally) shift(t *testing.T, fault string, seed uint64) (wrong []string) {
	t.Helper()
	codes := tells[fault].codes
	w := newWatched(t, seed, sim.ProcessConfig{Faults: []sim.WantedFault{{Name: fault}}, From: rollsBefore + 1})
	twin := newWatched(t, seed, sim.ProcessConfig{})
	rng := rand.New(rand.NewPCG(seed, 21))
	first, held := 0, c.held
	for n := 1; n <= rollsBefore+rollsWith; n++ {
		roll := anyRoll(rng, n)
		p, q := w.pass(t, n, roll), twin.pass(t, n, roll)
		for _, f := range q.found {
			wrong = append(wrong, fmt.Sprintf("%s %s at roll %d: %v", f.Code, f.Of, f.Last, f.Evidence))
		}
		if n <= rollsBefore {
			if !reflect.DeepEqual(p, q) {
				t.Errorf("%s, seed %d: roll %d differs from its twin before the fault begins: %+v, %+v", fault, seed, n, p, q)
			}
			continue
		}
		if first == 0 && slices.ContainsFunc(p.found, func(f process.Finding) bool { return slices.Contains(codes, f.Code) }) {
			first = n - rollsBefore
		}
		c.take(n, &p, &q, codes)
	}
	c.late = nil
	c.shifts++
	if first > 0 {
		c.noticed, c.slowest = c.noticed+1, max(c.slowest, first)
	}
	one := w.bench.Process()[0]
	t.Logf("  strength %.2f: %s; first noticed with roll %d of it", one.Strength, one.What, first)
	if first == 0 && c.held == held && one.Strength >= tells[fault].strong {
		t.Errorf("%s of strength %.2f was not noticed in %d rolls: %s", fault, one.Strength, rollsWith, one.What)
	}
	return wrong
}

// TestProcessFaultsAreNoticed plays each fault of the process at random strength,
// and holds what is noticed of it against what can be known. A bad wrap is
// noticed before when the fault was found as its roll asked for a recipe, and
// after when the roll is among those that a later finding names.
func TestProcessFaultsAreNoticed(t *testing.T) {
	reckons(t)
	var wrong []string
	soundRolls := 0
	for i, fault := range sim.ProcessFaults() {
		t.Run(fault.Name, func(t *testing.T) {
			if _, known := tells[fault.Name]; !known {
				t.Fatal("nobody says what can be known of it")
			}
			c := watchTally{found: map[notice.Code]int{}, kinds: map[sim.DefectKind]int{}}
			for c.rolls < *processRolls {
				wrong = append(wrong, c.shift(t, fault.Name, uint64(1000*(i+1)+c.shifts))...)
				soundRolls += rollsBefore + rollsWith
			}
			not := c.bad - c.before - c.after - c.seen
			t.Logf("%-15s %d rolls, %d held; bad %d: noticed before %d, after %d, seen at the press %d, not %d; %d of %d shifts noticed, after %d rolls at most; findings %v, others %d; defects %v",
				fault.Name, c.rolls, c.held, c.bad, c.before, c.after, c.seen, not, c.noticed, c.shifts, c.slowest, c.found, c.others, c.kinds)
			if can := tells[fault.Name]; float64(not) > can.most*float64(c.bad)+1 {
				t.Errorf("%d of %d bad wraps went by unnoticed, want at most %.0f %%", not, c.bad, 100*can.most)
			}
			if c.noticed > 0 && len(tells[fault.Name].codes) == 0 {
				t.Errorf("%s was noticed, which no record can tell of", fault.Name)
			}
		})
	}
	t.Logf("%d sound rolls, %d false findings", soundRolls, len(wrong))
	// Of as many sound rolls one finding in a thousand may be false.
	if float64(len(wrong)) > most(soundRolls, 0.001) {
		t.Errorf("%d false findings in %d sound rolls: %s", len(wrong), soundRolls, strings.Join(wrong, "; "))
	}
}
