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
