package sim

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"lapgate/sim/controller"
)

func TestValidateNamesEverything(t *testing.T) {
	c := DefaultConfig()
	c.Speed, c.Scan, c.Limit = math.NaN(), time.Second, 0
	c.Stand.Slots = append(c.Stand.Slots, Slot{Number: 3})
	c.Rolls = []Roll{{Tag: "a tag of eighteen!", Diameter: -1, Width: 9, Grade: 77, Core: 88}}
	c.Faults.Names = []string{"flood"}
	err := c.Validate()
	if err == nil {
		t.Fatal("valid")
	}
	for _, want := range []string{
		"Speed is NaN", "Scan is 1s", "Limit is 0s", "slot 7 has number 3", "tag has 18", "diameter is -1", "do not fit",
		`no fault is named "flood"`, "link-cut",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("does not name %q: %v", want, err)
		}
	}
	for range 400 {
		c.Rolls = append(c.Rolls, Roll{})
	}
	if err := c.Validate(); err == nil || len(err.Error()) > 1000 || !strings.Contains(err.Error(), "more") {
		t.Errorf("400 bad rolls are told in %d letters", len(err.Error()))
	}
	c = DefaultConfig()
	if err := c.Validate(); err == nil || !strings.Contains(err.Error(), "no rolls") {
		t.Errorf("no rolls: %v", err)
	}
	c.Rolls = demoShift(3)
	if err := c.Validate(); err != nil {
		t.Error(err)
	}
	if _, err := New(Config{}); err == nil {
		t.Error("New takes an empty configuration")
	}
}

func TestDemoShiftIsWhatItSays(t *testing.T) {
	c := DefaultConfig()
	for seed := range uint64(50) {
		rolls := demoShift(seed)
		if !reflect.DeepEqual(rolls, demoShift(seed)) {
			t.Fatal("the same seed gave two shifts")
		}
		misfits, stale, off, slots := 0, 0, 0, map[int]bool{}
		tags := map[string]bool{}
		for i := range rolls {
			r := &rolls[i]
			if r.Width < 20*inch-1e-4 || r.Width > 75*inch+1e-4 || r.Diameter < 20*inch || r.Diameter > 60*inch || tags[r.Tag] {
				t.Errorf("seed %d: %+v", seed, *r)
			}
			tags[r.Tag] = true
			if r.ScanAge > 120 {
				stale++
			}
			if r.Permissive > 0 {
				off++
			}
			st := newStation(&c)
			st.arrive(i+1, r)
			if slot := st.habitSlot(); slot < 0 {
				misfits++
			} else {
				slots[slot] = true
			}
		}
		if len(rolls) != 40 || misfits != 1 || stale != 1 || off != 1 || len(slots) != 6 {
			t.Errorf("seed %d: %d rolls, %d misfits, %d stale, %d permissive off, %d slots used", seed, len(rolls), misfits, stale, off, len(slots))
		}
	}
}

func TestPlanIsBoundedAndRepeats(t *testing.T) {
	c := FaultConfig{Names: []string{"all"}, Count: 3, Seed: 9}
	a := plan(c, 40)
	if !reflect.DeepEqual(a, plan(c, 40)) {
		t.Error("the same seed gave two plans")
	}
	if len(a) != 3*len(SimulatedFaults()) {
		t.Errorf("%d faults, want 3 of each of %d faults", len(a), len(SimulatedFaults()))
	}
	c.Seed = 10
	if reflect.DeepEqual(a, plan(c, 40)) {
		t.Error("another seed gave the same plan")
	}
	// A fault alone occurs where it does among the others.
	c = FaultConfig{Names: []string{rescan}, Count: 3, Seed: 9}
	var among []PlannedFault
	for _, s := range a {
		if s.Fault == rescan {
			among = append(among, s)
		}
	}
	if alone := plan(c, 40); !reflect.DeepEqual(alone, among) {
		t.Errorf("alone %v, among others %v", alone, among)
	}
	if n := len(plan(FaultConfig{Names: []string{"all"}, Count: 100, Seed: 1}, 2)); n != 2*len(SimulatedFaults()) {
		t.Errorf("%d faults on two rolls", n)
	}
	for _, f := range SimulatedFaults() {
		if f.Text == "" || len(f.at) == 0 || f.high < f.low {
			t.Errorf("fault %q is not described", f.Name)
		}
	}
}

// The audit sees what it is there for.
func TestAuditSees(t *testing.T) {
	m := controller.Measurement{Tag: controller.TagOf("A"), Diameter: 10000, Width: 9000}
	event := func(roll uint32, session controller.Session, offer uint16) *controller.Event {
		e := &controller.Event{Kind: controller.EventVerdict, Verdict: controller.Accepted, Roll: roll, Session: session, Offer: offer}
		e.Payload[21], e.Payload[30], e.Payload[32] = 'A'<<8, 10000, 9000
		return e
	}
	one, two := controller.Session{Epoch: 1, Nonce: 5}, controller.Session{Epoch: 2, Nonce: 6}
	adopt := func(s controller.Session) *controller.Event {
		return &controller.Event{Kind: controller.EventAdopted, Session: s}
	}
	tests := []struct {
		name   string
		events []*controller.Event
		off    uint32
		want   string
	}{
		{"nothing", []*controller.Event{adopt(one), event(1, one, 1), event(2, one, 2)}, 0, ""},
		{"another measurement", []*controller.Event{adopt(one), func() *controller.Event { e := event(1, one, 1); e.Payload[32]++; return e }()}, 0, "S1"},
		{"roll twice", []*controller.Event{adopt(one), event(1, one, 1), event(1, one, 2)}, 0, "S2"},
		{"offer twice", []*controller.Event{adopt(one), event(1, one, 1), event(2, one, 1)}, 0, "S3"},
		{"older session", []*controller.Event{adopt(two), event(1, one, 1)}, 0, "S7"},
		{"older adopted", []*controller.Event{adopt(two), adopt(one)}, 0, "S7"},
		{"permissive", []*controller.Event{adopt(one), event(1, one, 1)}, 2, "S8"},
		{"late", []*controller.Event{adopt(one), func() *controller.Event { e := event(1, one, 1); e.Tick = 201; return e }()}, 0, "S9"},
		{"hole", []*controller.Event{{Kind: controller.EventEntered, Roll: 2}}, 0, "S10"},
		{"left twice", []*controller.Event{{Kind: controller.EventOutcome, Roll: 1}, {Kind: controller.EventOutcome, Roll: 1}}, 0, "had left"},
		{"numbers anew after loss", []*controller.Event{adopt(one), event(1, one, 1), {Kind: controller.EventMemoryLost}, adopt(one)}, 0, ""},
	}
	for _, tc := range tests {
		a := newAudit(controller.DefaultConfig())
		a.on = 0x3F &^ tc.off
		for _, e := range tc.events {
			a.see(e, &m)
		}
		all := strings.Join(a.violations, "; ")
		if (tc.want == "") != (all == "") || !strings.Contains(all, tc.want) {
			t.Errorf("%s: %q, want %q", tc.name, all, tc.want)
		}
	}
}

// The audit sees outputs that are on with less than they need, and a press that
// closes without them.
func TestAuditSeesMotion(t *testing.T) {
	cfg := controller.DefaultConfig()
	run := func(button bool) (*audit, *controller.Controller, controller.Inputs) {
		a, p := newAudit(cfg), controller.Start(cfg, controller.Fresh(), 1)
		var area controller.Area
		in := controller.Inputs{Permissives: 0x3F, RollPresent: true, ManualSelected: true, Enter: &controller.Measurement{Valid: true}}
		p.Scan(10, &area, &in)
		in.Enter, in.Start = nil, true
		p.Scan(12, &area, &in)
		if !p.Running() {
			t.Fatal("outputs do not come on")
		}
		a.button = button
		return a, p, in
	}
	for name, tc := range map[string]struct {
		button bool
		change func(*controller.Inputs)
		want   string
	}{
		"as it should be": {false, func(*controller.Inputs) {}, ""},
		"no press":        {true, func(*controller.Inputs) {}, "without a press of start"},
		"no roll":         {false, func(in *controller.Inputs) { in.RollPresent = false }, "with a roll (false)"},
		"permissive":      {false, func(in *controller.Inputs) { in.Permissives = 0x3D }, "air pressure is off"},
	} {
		a, p, in := run(tc.button)
		tc.change(&in)
		a.scanned(p, &in, 12)
		all := strings.Join(a.violations, "; ")
		if (tc.want == "") != (all == "") || !strings.Contains(all, tc.want) {
			t.Errorf("%s: %q, want %q", name, all, tc.want)
		}
	}
	a, p, in := run(false)
	a.scanned(p, &in, 12)
	in.RollPresent = false
	if a.scanned(p, &in, 14); len(a.violations) != 0 {
		t.Errorf("a roll that is not gone yet: %q", a.violations)
	}
	if a.scanned(p, &in, 14+uint32(cfg.GoneTime/controller.Tick)); len(a.violations) != 1 {
		t.Errorf("outputs on with the roll gone: %q", a.violations)
	}
}

// The audit holds a shift to the time of its own sensor, which runs as fast as the
// line.
func TestAuditKnowsTheSensor(t *testing.T) {
	c := DefaultConfig()
	c.Rolls, c.Speed = []Roll{good}, 20
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	if want := 100 * time.Millisecond; s.audit.gone != want || s.cfg.Program.GoneTime != want {
		t.Errorf("a roll is gone after %s for the audit and %s for the program, want %s", s.audit.gone, s.cfg.Program.GoneTime, want)
	}
}
