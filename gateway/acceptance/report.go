package acceptance

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/caution"
)

// Outcome of a step or of a check of the whole run.
type Outcome string

// The outcomes.
const (
	Passed Outcome = "passed"
	Failed Outcome = "failed"
	NotRun Outcome = "not run"
)

// Result is what became of one step.
type Result struct {
	Step     string   `json:"step"`
	Act      Act      `json:"act" print:"drop=3"`
	Roll     string   `json:"roll" print:"drop=2"`
	Fault    string   `json:"fault,omitempty"`
	Expected string   `json:"expected"`
	Observed string   `json:"observed"`
	Outcome  Outcome  `json:"outcome" label:"result"`
	Why      []string `json:"why,omitempty" print:"below"`
	Note     string   `json:"note,omitempty" print:"drop=1"`
	Rolls    []Seen   `json:"rolls,omitempty" label:"-"`
}

// Check is something that holds for all of a run.
type Check struct {
	What    string   `json:"check" label:"what is checked"`
	Outcome Outcome  `json:"outcome" label:"result"`
	Why     []string `json:"why,omitempty" print:"below"`
}

// NewCheck makes the check of something of which each problem is told.
func NewCheck(what string, problems []string) Check {
	c := Check{What: what, Outcome: Passed, Why: problems}
	if len(problems) > 0 {
		c.Outcome = Failed
	}
	return c
}

// Covered is how often something came up in the steps.
type Covered struct {
	Name  string `json:"name"`
	What  string `json:"what"`
	Steps int    `json:"steps"`           // in which it did
	First string `json:"first,omitempty"` // of them
	// Lacks says why nothing of it can come up on this line.
	Lacks string `json:"lacks,omitempty"`
}

// Coverage is what of the line, its setpoints and its findings the steps exercised.
type Coverage struct {
	Setpoints []Covered `json:"setpoints"`
	Stations  []Covered `json:"stations"`
	Slots     []Covered `json:"slots"`
	Findings  []Covered `json:"findings"`
}

// Run tells of the run itself, in which two runs of one plan differ.
type Run struct {
	Version string    `json:"version"`
	Began   time.Time `json:"began"`
	Ended   time.Time `json:"ended"`
	Journal string    `json:"journal,omitempty"`
	Head    string    `json:"journal_head,omitempty" label:"head of the journal"`
}

// Report is what was expected and observed. But for Run, and for the address and
// the person of a bench, the same plan, configuration and seed give the same report.
type Report struct {
	Line          string               `json:"line"`
	Against       string               `json:"against"` // the simulator, or the address of a controller
	By            string               `json:"by,omitempty" label:"answered for by"`
	Configuration handshake.ConfigHash `json:"configuration_hash" label:"hash of the configuration"`
	Plan          string               `json:"plan_sha256" label:"SHA-256 of the plan"`
	Seed          *uint64              `json:"seed,omitempty"`
	Quirks        []string             `json:"quirks,omitempty" label:"quirks of the controller"`
	Passed        int                  `json:"passed"`
	Failed        int                  `json:"failed"`
	NotRun        int                  `json:"not_run" label:"not run"`
	Results       []Result             `json:"steps" print:"csv"`
	Checks        []Check              `json:"checks"`
	Coverage      Coverage             `json:"coverage" label:"-"`
	Open          []string             `json:"open_points" label:"-"`
	Otherwise     []string             `json:"otherwise" label:"-"` // than on the real line
	Cautions      []string             `json:"cautions" label:"-"`
	Changes       *Changes             `json:"changes,omitempty" label:"-"`
	Run           Run                  `json:"run"`
}

// Observation is what a run tells of one step.
type Observation struct {
	Seen    []Seen   // its rolls; none where it was not run
	Noticed []string // codes of the faults of the process that the record showed with them
	Why     string   // it was not run
}

// Observed is what a run tells of a plan.
type Observed struct {
	Steps  []Observation // in the order of the plan
	Checks []Check       // of the whole run
	Head   string        // of the journal
}

// Ended is the check that daemon and line ended well.
func Ended(gatewayErr, lineErr error) Check {
	var problems []string
	if err := errors.Join(gatewayErr, lineErr); err != nil {
		problems = strings.Split(err.Error(), "\n")
	}
	return NewCheck("gateway and line ran to the end of the plan", problems)
}

// NewReport judges the steps of a plan by what was observed. unmeasured are settings of
// the line that nobody measured, told with their places.
func NewReport(line *recipe.Line, steps []Step, observed []Observation, checks []Check, unmeasured []string) *Report {
	r := &Report{Line: line.Name, Results: []Result{}, Checks: checks, Open: []string{}, Otherwise: []string{}, Cautions: []string{caution.Limits.String()}}
	observed = slices.Clone(observed)
	for i := range steps {
		observed[i].Seen = steps[i].told(observed[i].Seen)
		r.add(&steps[i], &observed[i])
	}
	for _, c := range checks {
		if c.Outcome == Failed {
			r.Open = append(r.Open, fmt.Sprintf("%s: %s", c.What, strings.Join(c.Why, "; ")))
		}
	}
	r.Open = append(r.Open, unmeasured...)
	r.Coverage = coverageOf(line, steps, observed)
	for _, c := range r.Coverage.Slots {
		if c.Steps == 0 {
			r.Open = append(r.Open, c.Name+" gave no wrapper in any step")
		}
	}
	return r
}

// AtBench says that the steps were run on the controller at an address, where nothing
// was connected that can move, and what was otherwise than on the line.
func (r *Report) AtBench(address string, otherwise []string) {
	r.Against, r.Otherwise = "a bench: the controller at "+address+", with nothing connected that can move", otherwise
	r.Cautions = append(r.Cautions, caution.Proof.String())
	for i := range r.Coverage.Stations {
		if p := &r.Coverage.Stations[i]; p.Lacks == "" {
			p.Steps, p.First, p.Lacks = 0, "", "no station works at a bench"
		}
	}
}

func (r *Report) add(s *Step, o *Observation) {
	res := Result{Step: s.Name, Act: s.Act, Roll: s.Roll.Tag, Fault: s.Fault.String(), Expected: s.Expected.String(), Note: s.Note, Rolls: o.Seen}
	if len(o.Seen) == 0 {
		res.Outcome, res.Observed, res.Why = NotRun, "nothing", []string{o.Why}
		r.NotRun++
	} else {
		res.Observed, res.Outcome = s.observed(o), Passed
		r.Passed++
		if s.Expected.Verdict == Noticed {
			res.Rolls = nil
		}
		if res.Why = s.Judge(o.Seen, o.Noticed); len(res.Why) > 0 {
			res.Outcome = Failed
			r.Passed, r.Failed = r.Passed-1, r.Failed+1
		}
	}
	if res.Outcome != Passed {
		r.Open = append(r.Open, fmt.Sprintf("step %s %s: %s", res.Step, res.Outcome, strings.Join(res.Why, "; ")))
	}
	r.Results = append(r.Results, res)
}

// told is what a report tells of the rolls of a step. Whether a roll was held for a moment
// by a fault, before its recipe was accepted, depends on where the fault met the work of
// this computer: with a fault that is to end well the last answer is told.
func (s *Step) told(seen []Seen) []Seen {
	if s.Fault == (FaultName{}) || s.Expected.Verdict != Go {
		return seen
	}
	out := slices.Clone(seen)
	for i := range out {
		r := &out[i]
		if n := len(r.Answers); n > 0 {
			r.Answers, r.findings = r.Answers[n-1:], nil
		}
	}
	return out
}

// observed tells what was observed of a step, in a line. What became of each roll under a
// fault of the process follows from how fast things warm and wear beside the time of
// this computer: where the fault is to be noticed, that alone is told.
func (s *Step) observed(o *Observation) string {
	var lines []string
	for i := range o.Seen {
		if text := o.Seen[i].String(); s.Expected.Verdict != Noticed && !slices.Contains(lines, text) {
			lines = append(lines, text)
		}
	}
	told := o.Noticed
	if s.Expected.Verdict == Noticed && overlap(s.Expected.Codes, told) {
		told = slices.DeleteFunc(slices.Clone(told), func(code string) bool { return !slices.Contains(s.Expected.Codes, code) })
	}
	if len(told) > 0 || len(lines) == 0 {
		lines = append(lines, "noticed "+spoken(strings.Join(told, ", ")))
	}
	return strings.Join(lines, " | ")
}

// Failures are the names of the steps and checks that failed.
func (r *Report) Failures() (names []string) {
	for i := range r.Results {
		if r.Results[i].Outcome == Failed {
			names = append(names, r.Results[i].Step)
		}
	}
	for _, c := range r.Checks {
		if c.Outcome == Failed {
			names = append(names, c.What)
		}
	}
	return names
}

// count books a step for what it exercised.
func (c *Covered) count(step string) {
	if c.Steps++; c.Steps == 1 {
		c.First = step
	}
}

// coverageOf counts what the steps exercised. Warnings come by chance too, as with the
// temperature of a platen, so that of findings the holds alone are counted.
func coverageOf(line *recipe.Line, steps []Step, observed []Observation) Coverage {
	var c Coverage
	for _, p := range recipe.AllSetpoints() {
		if !p.Derived { // a payload does not have it
			c.Setpoints = append(c.Setpoints, Covered{Name: p.Name, What: p.Label, Lacks: notTaken(line, &p)})
		}
	}
	for _, key := range recipe.StationKeys() {
		mode := line.Equipment.Mode(key)
		one := Covered{Name: key, What: mode.String()}
		if !mode.Present() {
			one.Lacks = "the line has none"
		}
		c.Stations = append(c.Stations, one)
	}
	for _, s := range line.Stand.Slots {
		c.Slots = append(c.Slots, Covered{Name: fmt.Sprintf("slot %d", s.Number), What: s.Paper})
	}
	for _, f := range Holds() {
		c.Findings = append(c.Findings, Covered{Name: string(f.Code), What: f.Meaning().String()})
	}
	for i := range steps {
		if steps[i].Expected.Verdict != Noticed {
			c.take(line, steps[i].Name, observed[i].Seen)
		}
	}
	return c
}

// notTaken says why the line takes no value of a setpoint, empty where it does.
func notTaken(line *recipe.Line, p *recipe.Setpoint) string {
	if p.Group == recipe.Ungrouped {
		return "" // a person is told it
	}
	key := p.Station()
	for _, q := range recipe.AllSetpoints() {
		if key == "" && q.Group == p.Group {
			key = q.Station()
		}
	}
	if mode := line.Equipment.Mode(key); mode != nil && !mode.Powered() {
		return "the station " + key + " is " + mode.String()
	}
	return ""
}

// worked reports whether a station did its work on the roll: a setpoint of it was in
// force, or the people who work it by hand had a recipe.
func (s *Seen) worked(line *recipe.Line, key string) bool {
	if !s.went() || s.Outcome != handshake.Wrapped.String() {
		return false
	}
	if !line.Equipment.Mode(key).Powered() {
		return true
	}
	return slices.ContainsFunc(s.inForce, func(name string) bool { return recipe.SetpointOf(name).Station() == key })
}

// take counts one step.
func (c *Coverage) take(line *recipe.Line, step string, seen []Seen) {
	in := func(has func(*Seen) bool) bool {
		return slices.ContainsFunc(seen, func(s Seen) bool { return has(&s) })
	}
	for i := range c.Setpoints {
		p := &c.Setpoints[i]
		if in(func(s *Seen) bool { return slices.Contains(s.inForce, p.Name) }) {
			p.count(step)
		}
	}
	for i := range c.Stations {
		p := &c.Stations[i]
		if p.Lacks == "" && in(func(s *Seen) bool { return s.worked(line, p.Name) }) {
			p.count(step)
		}
	}
	for i, slot := range line.Stand.Slots {
		if in(func(s *Seen) bool { return s.slot == slot.Number }) {
			c.Slots[i].count(step)
		}
	}
	for i := range c.Findings {
		p := &c.Findings[i]
		if in(func(s *Seen) bool { return slices.Contains(s.findings, recipe.Code(p.Name)) }) {
			p.count(step)
		}
	}
}
