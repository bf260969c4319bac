package config_test

import (
	"errors"
	"strings"
	"testing"

	"lapgate/gateway/config"
)

// TestMeasured tells which settings nobody measured, until somebody enters
// date and name.
func TestMeasured(t *testing.T) {
	const key = "lines.0.header.conductance_measured"
	has := func(list []config.Problem) bool {
		for _, p := range list {
			if p.Key == key {
				return true
			}
		}
		return false
	}
	set := func(at, by string) (*config.Snapshot, error) {
		return config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(sparse), Set: map[string]string{key + ".at": at, key + ".by": by}})
	}
	// A default of judgement is told until the setting is given.
	for _, given := range []bool{false, true} {
		src := config.Source{Path: "mill.yaml", Bytes: []byte(sparse)}
		if given {
			src.Set = map[string]string{"lines.0.wrap.tension": "80 N/m"}
		}
		s, err := config.Load(src)
		if err != nil {
			t.Fatal(err)
		}
		told := false
		for _, p := range s.Unmeasured {
			told = told || p.Key == "lines.0.wrap.tension"
		}
		if told == given {
			t.Errorf("given is %v, told is %v: %v", given, told, s.Unmeasured)
		}
	}
	if s := load(t, config.Source{}); !has(s.Unmeasured) {
		t.Errorf("nobody measured, and nothing tells: %v", s.Unmeasured)
	}
	s, err := set("2026-03-01", "Ada")
	if err != nil {
		t.Fatal(err)
	}
	if has(s.Unmeasured) || !s.Lines[0].Recipe.Header.ConductanceMeasured.Done() {
		t.Errorf("measured, but still told: %v", s.Unmeasured)
	}
	for _, bad := range []struct{ at, by, want string }{
		{"2026-13-01", "Ada", "not a date"}, {"2026-03-01", "", "without a name"}, {"", "Ada", "without a date"},
	} {
		_, err := set(bad.at, bad.by)
		var problems *config.Error
		if !errors.As(err, &problems) || len(problems.Problems) != 1 || !strings.Contains(problems.Problems[0].Text, bad.want) {
			t.Errorf("%q by %q: got %v, want %q", bad.at, bad.by, err, bad.want)
		}
	}
}
