package rehearse

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/sim"
)

// AcceptanceFaults are the faults that a plan may have, those of the wire first.
func AcceptanceFaults() []acceptance.Fault {
	var all []acceptance.Fault
	for _, f := range sim.SimulatedFaults() {
		all = append(all, acceptance.Fault{Name: f.Name, What: f.Text, Points: f.Points()})
	}
	for _, f := range sim.ProcessFaults() {
		all = append(all, acceptance.Fault{Name: f.Name, What: f.Text, Process: true})
	}
	return all
}

// Acceptance wraps the rolls of a plan on the simulator.
type Acceptance struct {
	Config sim.Config // of the line, with the rolls and faults of the plan

	steps  []acceptance.Step
	at     []int // step of each roll, by its ordinal less one
	mu     sync.Mutex
	occurs map[int]bool // ordinals of the rolls with which a fault occurred
}

// NewAcceptance prepares the plan for a configured line. seed is that of all noise,
// speed how many seconds of the line pass in a real one.
func NewAcceptance(l *config.Line, steps []acceptance.Step, seed uint64, speed float64) (*Acceptance, error) {
	c, err := Line(l)
	if err != nil {
		return nil, err
	}
	c.Seed, c.Faults.Seed = seed, seed
	c.Habit.Confirm = !l.Recipe.Equipment.Stand.Powered()
	knowAll(&c, l.Recipe)
	a := &Acceptance{steps: steps, occurs: map[int]bool{}}
	wire := sim.SimulatedFaults()
	for i := range steps {
		s := &steps[i]
		first := len(c.Rolls) + 1
		for _, tag := range s.Tags() {
			c.Rolls, a.at = append(c.Rolls, trueRoll(tag, &s.Roll)), append(a.at, i)
		}
		switch isWire := slices.ContainsFunc(wire, func(f sim.SimulatedFault) bool { return f.Name == s.Fault.Name }); {
		case isWire:
			for n := first; n <= len(c.Rolls); n++ {
				c.Faults.At = append(c.Faults.At, sim.FaultAt{Fault: s.Fault.Name, Roll: n, Point: s.Fault.Point})
			}
		case s.Fault.Name != "":
			c.Process.Faults = append(c.Process.Faults, sim.WantedFault{Name: s.Fault.Name, Strength: s.Fault.Strength, From: first, To: len(c.Rolls)})
		}
	}
	c.Speed = speed
	c.Limit = time.Duration(len(c.Rolls)) * (longestExchange + time.Duration(float64(longestWork)/speed))
	c.OnFault = a.occurred
	a.Config = c
	return a, nil
}

// How long a roll may take, with all that a fault makes of it: real time for the
// handshake, and time of the line for its work.
const (
	longestExchange = 10 * time.Second
	longestWork     = 40 * time.Minute
)

// knowAll gives the simulated line, which refuses rolls of which it knows nothing, a
// grade and a core that the configuration does not know.
func knowAll(c *sim.Config, l *recipe.Line) {
	if len(c.Grades) > 0 && len(c.Cores) > 0 {
		g, k := c.Grades[0], c.Cores[0]
		g.Code, k.Code = acceptance.UnknownGrade(l), acceptance.UnknownCore(l)
		g.Name, k.Name = "a grade that nobody configured", "a core that nobody configured"
		c.Grades, c.Cores = append(slices.Clone(c.Grades), g), append(slices.Clone(c.Cores), k)
	}
}

func trueRoll(tag string, r *acceptance.Roll) sim.Roll {
	return sim.Roll{
		Tag: tag, Diameter: r.Diameter, Width: r.Width, Ovality: r.Ovality, Taper: r.Taper, Telescoping: r.Telescoping,
		Grade: r.Grade, Core: r.Core, ScanAge: r.ScanAge, Quality: int(math.Round(100 * r.Quality)), Permissive: r.Permissive,
	}
}

func (a *Acceptance) occurred(f sim.PlannedFault) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.occurs[f.Roll] = true
}

// HoldsAfter reports whether every roll is to be held when the roll of an ordinal has
// left, and whether that is another thing than with that roll.
func (a *Acceptance) HoldsAfter(ordinal int) (on, changes bool) {
	was := a.steps[a.at[ordinal-1]].Act == acceptance.HoldAll
	on = ordinal < len(a.at) && a.steps[a.at[ordinal]].Act == acceptance.HoldAll
	return on, on != was
}

// Observe reads what became of the rolls of a shift from the journal at path, with the
// simulator's opinion beside it, and checks what holds for all of the run.
func (a *Acceptance) Observe(ctx context.Context, path string, line *recipe.Line, shift *sim.Report) (*acceptance.Observed, error) {
	byRoll, noticed, err := readRolls(ctx, path, line)
	if err != nil {
		return nil, err
	}
	out := make([]acceptance.Observation, len(a.steps))
	for i := range shift.Rolls {
		r := &shift.Rolls[i]
		step := a.at[r.Ordinal-1]
		seen, err := a.see(r, byRoll)
		if err != nil {
			return nil, err
		}
		out[step].Seen = append(out[step].Seen, seen)
		for k, n := range r.Numbers {
			for _, code := range noticed[numbered{r.Boots[k], n}] {
				if !slices.Contains(out[step].Noticed, code) {
					out[step].Noticed = append(out[step].Noticed, code)
				}
			}
		}
	}
	for i := range out {
		if len(out[i].Seen) < len(a.steps[i].Tags()) {
			out[i].Seen, out[i].Why = nil, "the run ended before all of its rolls had left"
		}
	}
	o, err := wholeRun(ctx, path, shift)
	if err != nil {
		return nil, err
	}
	o.Steps = out
	return o, nil
}

// numbered is a roll by what the controller calls it.
type numbered struct{ boot, roll uint32 }

// readRolls reads the rolls of a journal, with the faults of the process that were noticed
// with each. A number alone names no roll, for numbers come again after the controller
// lost its memory.
func readRolls(ctx context.Context, path string, line *recipe.Line) (all map[numbered]*record.Roll, noticed map[numbered][]string, err error) {
	all, noticed = map[numbered]*record.Roll{}, map[numbered][]string{}
	report := process.NewReport(path, line.Name, line)
	err = journal.ScanRolls(ctx, path, time.Time{}, func(uint64, uint64) {}, func(r *record.Roll) error {
		at, before := numbered{r.Boot, r.Number}, len(report.Findings)
		all[at] = r
		err := report.Take(r)
		for _, f := range report.Findings[min(before, len(report.Findings)):] {
			noticed[at] = append(noticed[at], string(f.Code))
		}
		return err
	})
	return all, noticed, err
}

func (a *Acceptance) see(r *sim.RollReport, byRoll map[numbered]*record.Roll) (acceptance.Seen, error) {
	var rolls []*record.Roll
	for i, n := range r.Numbers {
		if roll := byRoll[numbered{r.Boots[i], n}]; roll != nil {
			rolls = append(rolls, roll)
		}
	}
	s, err := acceptance.See(r.Tag, rolls)
	if j := r.Judgement; j != nil {
		s.Judged = acceptance.Good
		if !j.Good {
			s.Judged = acceptance.Bad
		}
		for _, d := range j.Defects {
			if kind := string(d.Kind); !slices.Contains(s.Defects, kind) {
				s.Defects = append(s.Defects, kind)
			}
		}
	}
	if slices.ContainsFunc(a.Config.Faults.At, func(f sim.FaultAt) bool { return f.Roll == r.Ordinal }) {
		a.mu.Lock()
		s.Missed = !a.occurs[r.Ordinal]
		a.mu.Unlock()
	}
	return s, err
}

// wholeRun checks what holds for all of the rolls.
func wholeRun(ctx context.Context, path string, shift *sim.Report) (*acceptance.Observed, error) {
	verified, err := journal.Verify(ctx, path)
	if err != nil {
		return nil, err
	}
	missing, err := Unaccounted(ctx, path, shift)
	if err != nil {
		return nil, err
	}
	return &acceptance.Observed{Head: verified.Head.String(), Checks: []acceptance.Check{
		acceptance.NewCheck("the journal verifies", verified.Sentences()),
		acceptance.NewCheck("each roll that the line saw is accounted for in the journal", missing),
		acceptance.NewCheck("no invariant of the handshake was broken, as the simulated line itself watches", shift.Violations),
	}}, nil
}

// Simulated is a configured line whose controller is the simulator at an address, and
// what is otherwise with it than on the real line.
func Simulated(l *config.Line, address string) (line config.Line, otherwise []string) {
	const none = "none" // as a configuration says it
	line = *l
	otherwise = append(otherwise, "The controller, the line and the people at it are simulated: nothing of this ran on a real machine.")
	if c := &line.Controller; c.Protocol != config.ModbusTCP || c.Profile != config.ProfileBlocks {
		otherwise = append(otherwise, fmt.Sprintf("The line speaks %s with profile %s; the simulator was spoken to by Modbus TCP with blocks.", c.Protocol, c.Profile))
		c.Protocol, c.Profile, line.Mapped = config.ModbusTCP, config.ProfileBlocks, nil
	}
	line.Controller.Address, line.Controller.Plain = address, true
	if n := len(l.Recipe.Open); n > 0 {
		otherwise = append(otherwise, fmt.Sprintf("Values that must be measured are open (%d): no real line may be armed with them. Here what stands in for each was used.", n))
		known := *l.Recipe
		known.Open, line.Recipe = nil, &known
	}
	if !line.Scanner.Off() {
		otherwise = append(otherwise, "The scanner on TCP was left out: rolls are measured by the simulated controller.")
		line.Scanner.Address = none
	}
	if !line.Orders.Off() {
		otherwise = append(otherwise, "The folder of orders was left out.")
		line.Orders.Directory = none
	}
	if !line.Arming.KeepsSwap() {
		otherwise = append(otherwise, "The line stayed armed when its controller lost its memory (arming.swap: keep), so that the steps behind it could run.")
		line.Arming.Swap = "keep"
	}
	return line, otherwise
}
