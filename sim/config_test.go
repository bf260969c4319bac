package sim

import (
	"bytes"
	"fmt"
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
		"grade 77", "core 88", `no fault is named "flood"`, "link-cut",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("does not name %q: %v", want, err)
		}
	}
	c = DefaultConfig()
	if err := c.Validate(); err == nil || !strings.Contains(err.Error(), "no rolls") {
		t.Errorf("no rolls: %v", err)
	}
	c.Rolls = DemoShift(3)
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
		rolls := DemoShift(seed)
		if !reflect.DeepEqual(rolls, DemoShift(seed)) {
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

func TestReadRolls(t *testing.T) {
	rolls, err := ReadRolls(strings.NewReader("\ufefftag, width_mm,diameter_mm,grade,permissive_off\nR-1,1219.2,1016,2,\nR-2, 800.5 ,900,1,3\n"))
	want := []Roll{
		{Tag: "R-1", Diameter: 1.016, Width: 1.2192, Grade: 2, Core: 1},
		{Tag: "R-2", Diameter: 0.9, Width: 0.8005, Grade: 1, Core: 1, Permissive: 3},
	}
	if err != nil || !reflect.DeepEqual(rolls, want) {
		t.Errorf("%+v, %v", rolls, err)
	}
	for in, errs := range map[string][]string{
		"":                                     {"empty"},
		"tag,diameter_mm,width_mm,grade\n":     {"no rolls"},
		"tag,diameter,grade\nx,1,1\n":          {`column "diameter" is not known`, "diameter_mm is missing", "width_mm is missing"},
		"tag,tag,diameter_mm,width_mm,grade\n": {"tag stands twice"},
		"tag,diameter_mm,width_mm,grade\nR,1016,wide,1\nR,NaN,900,1.5\n,1e9,900,0\n": {
			"line 2: width_mm is \"wide\"", "line 3: diameter_mm is \"NaN\"", "line 3: grade is \"1.5\"",
			"line 3: tag R stands already in line 2", "line 4: tag is \"\"", "line 4: diameter_mm", "line 4: grade is \"0\"",
		},
		"tag,diameter_mm,width_mm,grade\nR,1\nS,900,900,1,1\n": {"line 2", "line 3"},
		"tag,diameter_mm,width_mm,grade\n\"R,1,1,1\n":          {"line 2"},
		"\x00\x01\x02\xff": {"not known"},
	} {
		_, err := ReadRolls(strings.NewReader(in))
		if err == nil {
			t.Errorf("%q was taken", in)
			continue
		}
		for _, e := range errs {
			if !strings.Contains(err.Error(), e) {
				t.Errorf("%q: error does not say %q:\n%v", in, e, err)
			}
		}
	}
}

// What is read is valid, and reads the same when written out again.
func FuzzReadRolls(f *testing.F) {
	f.Add("tag,diameter_mm,width_mm,grade,core,ovality,scan_age_s,permissive_off\nR-1,1016,1219.2,2,1,0.002,180,2\n")
	f.Add("tag,diameter_mm,width_mm,grade\n\"R,1\",1016,1219.2,1\n")
	f.Fuzz(func(t *testing.T, in string) {
		rolls, err := ReadRolls(strings.NewReader(in))
		if err != nil {
			if len(rolls) != 0 {
				t.Fatal("rolls beside an error")
			}
			return
		}
		var out bytes.Buffer
		out.WriteString(strings.Join(columns, ",") + "\n")
		for _, r := range rolls {
			if len(r.Tag) == 0 || len(r.Tag) > 16 || !(r.Diameter > 0) || !(r.Width > 0) || r.Grade < 1 || r.Core < 1 {
				t.Fatalf("read %+v", r)
			}
			fmt.Fprintf(&out, "%q,%.17g,%.17g,%d,%d,%.17g,%.17g,%d\n", r.Tag, r.Diameter*1000, r.Width*1000, r.Grade, r.Core,
				r.Ovality, r.ScanAge, r.Permissive)
		}
		if strings.ContainsAny(out.String(), "\\") || strings.Contains(in, "\\") {
			return // Go's quoting is not CSV's
		}
		for _, r := range rolls {
			if strings.Contains(r.Tag, `"`) || strings.TrimSpace(r.Tag) != r.Tag {
				return
			}
		}
		again, err := ReadRolls(&out)
		if err != nil || len(again) != len(rolls) {
			t.Fatalf("%d rolls, then %d: %v", len(rolls), len(again), err)
		}
		for i := range rolls {
			a, b := rolls[i], again[i]
			if a.Tag != b.Tag || math.Abs(a.Diameter-b.Diameter) > 1e-12 || math.Abs(a.Width-b.Width) > 1e-12 || a.Grade != b.Grade ||
				a.Core != b.Core || a.Permissive != b.Permissive {
				t.Fatalf("%+v became %+v", a, b)
			}
		}
	})
}

func TestPlanIsBoundedAndRepeats(t *testing.T) {
	c := FaultConfig{Names: []string{"all"}, Count: 3, Seed: 9}
	a := plan(c, 40)
	if !reflect.DeepEqual(a, plan(c, 40)) {
		t.Error("the same seed gave two plans")
	}
	if len(a) != 3*len(Faults()) {
		t.Errorf("%d strikes, want 3 of each of %d faults", len(a), len(Faults()))
	}
	c.Seed = 10
	if reflect.DeepEqual(a, plan(c, 40)) {
		t.Error("another seed gave the same plan")
	}
	// A fault alone strikes where it strikes among the others.
	c = FaultConfig{Names: []string{rescan}, Count: 3, Seed: 9}
	var among []Strike
	for _, s := range a {
		if s.Fault == rescan {
			among = append(among, s)
		}
	}
	if alone := plan(c, 40); !reflect.DeepEqual(alone, among) {
		t.Errorf("alone %v, among others %v", alone, among)
	}
	if n := len(plan(FaultConfig{Names: []string{"all"}, Count: 100, Seed: 1}, 2)); n != 2*len(Faults()) {
		t.Errorf("%d strikes on two rolls", n)
	}
	for _, f := range Faults() {
		if f.Text == "" || len(f.at) == 0 || f.high < f.low {
			t.Errorf("fault %q is not described", f.Name)
		}
	}
}

// The audit sees what it is there for.
func TestAuditSees(t *testing.T) {
	m := controller.Measurement{Tag: controller.TagOf("A"), Diameter: 10000, Width: 9000}
	event := func(roll uint32, session controller.Session, offer uint16) *controller.Event {
		e := &controller.Event{Kind: controller.EventJudged, Verdict: controller.Accepted, Roll: roll, Session: session, Offer: offer}
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
		a.before(controller.Inputs{Permissives: 0x3F &^ tc.off})
		for _, e := range tc.events {
			a.see(e, &m)
		}
		all := strings.Join(a.violations, "; ")
		if (tc.want == "") != (all == "") || !strings.Contains(all, tc.want) {
			t.Errorf("%s: %q, want %q", tc.name, all, tc.want)
		}
	}
}
