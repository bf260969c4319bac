package config_test

import (
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/config"
)

// What is to be measured may be open: its default stands in, and the line knows of it.
func TestOpenValues(t *testing.T) {
	before := load(t, config.Source{})
	s, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(sparse), Set: map[string]string{
		"lines.0.cradle.friction": "open", "papers.0.caliper": "open", "lines.0.wrap.tension": "open",
	}})
	if err != nil {
		t.Fatal(err)
	}
	line := s.Lines[0].Recipe
	if len(s.Open) != 3 || len(line.Open) != 3 || len(before.Open)+len(before.Lines[0].Recipe.Open) != 0 {
		t.Errorf("open are %v, of the line %v; without any %v", s.Open, line.Open, before.Open)
	}
	if line.Cradle.Friction != 0.3 || line.Wrap.Tension != 50 || s.Hash == before.Hash {
		t.Errorf("friction %g and tension %g are not the defaults, or the hash is that of the defaults", line.Cradle.Friction, line.Wrap.Tension)
	}
	for _, p := range s.Open {
		if p.Remedy == "" || p.Got != "open" || !strings.Contains(p.Text, "stands in") {
			t.Errorf("%+v says not what stands in, or how it is measured", p)
		}
	}
	for _, p := range s.Unmeasured {
		if p.Key == "lines.0.wrap.tension" || p.Key == "lines.0.cradle.friction_measured" {
			t.Errorf("told twice: %s", p)
		}
	}
	shown := false
	for _, v := range s.Effective() {
		shown = shown || v.Key == "papers.0.caliper" && v.Value == "open"
	}
	if !shown {
		t.Error("the value in force is not shown as open")
	}
	if _, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(sparse), Set: map[string]string{"lines.0.limits.diameter": "open"}}); err == nil {
		t.Error("a limit may be open")
	}
}

// What stands in, and within which bounds a value is wanted, is told in the units of the mill
// and not in those that the defaults happen to have.
func TestOpenInUnitsOfMill(t *testing.T) {
	caliper, core, mass := "papers.0.caliper", "lines.0.stand.core_diameter", "cores.0.mass"
	for units, wants := range map[string]map[string][2]string{
		"mm, kg/m, g/m2":        {caliper: {"0.305 mm", "0.02 mm..3 mm"}, core: {"76.2 mm", "10 mm..500 mm"}, mass: {"1.2 kg/m", "0 kg/m..50 kg/m"}},
		"in, lb/ft, lb/1000ft2": {caliper: {"0.012 in", "0.0007875 in..0.1181 in"}, core: {"3 in", "0.3938 in..19.68 in"}, mass: {"0.806 lb/ft", "0 lb/ft..33.59 lb/ft"}},
	} {
		u := strings.Split(units, ", ")
		s, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(sparse), Set: map[string]string{
			caliper: "open", core: "open", mass: "open", "lines.0.wrap.counts_per_metre": "open",
			"units.length": u[0], "units.linear_mass": u[1], "units.basis_weight": u[2],
		}})
		if err != nil {
			t.Fatal(err)
		}
		wants["lines.0.wrap.counts_per_metre"] = [2]string{"2000", "1..1000000"}
		if len(s.Open) != len(wants) {
			t.Errorf("%s: open are %v", units, s.Open)
		}
		for i, p := range s.Open {
			want, o := wants[p.Key], s.Lines[0].Recipe.Open[i]
			if p.Text != "not measured yet, "+want[0]+" stands in" || !strings.HasSuffix(p.Want, ", "+want[1]) {
				t.Errorf("%s: %s: %s, want %s; it should be %v", units, p.Key, p.Text, p.Want, want)
			}
			if o.StandsIn != wants[o.Key][0] {
				t.Errorf("%s: %s: %s stands in on the line, want %s", units, o.Key, o.StandsIn, wants[o.Key][0])
			}
		}
	}
}

// What is right for a simulator on this machine is warned of elsewhere.
func TestExceptionsOutsideLoopback(t *testing.T) {
	for address, want := range map[string]int{"127.0.0.1:1502": 0, "localhost:1502": 0, "[::1]:1502": 0, "192.0.2.10:502": 2, "plc.mill:502": 2} {
		s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: map[string]string{"lines.0.controller.address": address}})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, w := range s.Warnings {
			if strings.Contains(w.Text, "other than on loopback") {
				n++
			}
		}
		if n != want {
			t.Errorf("%s: %d warnings, want %d: %v", address, n, want, s.Warnings)
		}
	}
}
