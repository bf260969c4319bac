package rehearse_test

import (
	"slices"
	"testing"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/config"
	"lapgate/gateway/rehearse"
	"lapgate/recipe"
	"lapgate/sim"
)

// Each fault of the simulator has a step in a draft, at points that it has; one that is
// new fails here until somebody says what has to come of it.
func TestEveryFaultHasAStep(t *testing.T) {
	steps := rehearse.AcceptanceSteps()
	for _, f := range rehearse.AcceptanceFaults() {
		n := 0
		for _, s := range steps {
			if s.Fault.Name != f.Name {
				continue
			}
			n++
			if f.Process != (s.Fault.Strength > 0) || !f.Process && !slices.Contains(f.Points, s.Fault.Point) {
				t.Errorf("%s does not fit the fault, whose points are %v", s.Fault, f.Points)
			}
			if s.Rolls < 1 || s.Expected.Verdict == "" || s.Note == "" {
				t.Errorf("%s: %+v", s.Fault, s)
			}
		}
		if unforeseeable := f.Name == "wrong-wrapper" || f.Name == "remove-roll"; (n == 0) != unforeseeable {
			t.Errorf("%s has %d steps", f.Name, n)
		}
	}
	if len(steps) < 40 {
		t.Errorf("%d steps", len(steps))
	}
}

// The simulated line of a plan has the rolls of its steps, each fault at its own, and
// knows the codes that no configuration has.
func TestAcceptanceOfAPlan(t *testing.T) {
	reckons(t)
	line := &demo(t, nil).Lines[0]
	steps := acceptance.Draft(line.Recipe, nil, rehearse.AcceptanceSteps())
	a, err := rehearse.NewAcceptance(line, steps, 7, 500)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Config.Validate(); err != nil {
		t.Error(err)
	}
	n := 0
	for i := range steps {
		first := n + 1
		n += len(steps[i].Tags())
		at := slices.ContainsFunc(a.Config.Faults.At, func(f sim.FaultAt) bool { return f.Roll == first })
		if wire := steps[i].Fault.Point != ""; at != wire {
			t.Errorf("step %s, roll %d: a fault of the wire %t, want %t", steps[i].Name, first, at, wire)
		}
		if on, _ := a.HoldsAfter(max(first-1, 1)); i > 0 && on != (steps[i].Act == acceptance.HoldAll) {
			t.Errorf("before step %s every roll is held: %t", steps[i].Name, on)
		}
	}
	if n != len(a.Config.Rolls) || a.Config.Seed != 7 || a.Config.Speed != 500 {
		t.Errorf("%d rolls of %d, seed %d, speed %g", len(a.Config.Rolls), n, a.Config.Seed, a.Config.Speed)
	}
}

// A line of another kind is simulated over blocks, and the report says so.
func TestSimulatedLineSaysWhatIsOtherwise(t *testing.T) {
	l := demo(t, nil).Lines[0]
	opened := *l.Recipe
	opened.Open = []recipe.Open{{Key: "lines.0.header.conductance"}}
	l.Recipe = &opened
	l.Controller.Protocol, l.Orders.Directory, l.Arming.Swap = config.OPCUA, "orders", "disarm"
	line, otherwise := rehearse.Simulated(&l, "127.0.0.1:9")
	if line.Controller.Protocol != config.ModbusTCP || line.Controller.Address != "127.0.0.1:9" || !line.Orders.Off() || !line.Arming.KeepsSwap() || len(otherwise) != 5 || len(line.Recipe.Open) > 0 {
		t.Errorf("%+v; %v", line.Controller, otherwise)
	}
	if l.Controller.Protocol != config.OPCUA || l.Orders.Off() || len(l.Recipe.Open) != 1 {
		t.Error("the line of the configuration was changed")
	}
}
