package replay_test

import (
	"math"
	"strings"
	"testing"

	"lapgate/gateway/replay"
)

func TestTolerances(t *testing.T) {
	for _, c := range []struct {
		text string
		want replay.Tolerance
		err  string
	}{
		{"overlap=1 in", replay.Tolerance{Abs: 0.0254}, ""},
		{"feed_length = 3 %", replay.Tolerance{Rel: 0.03}, ""},
		{"header_temperature=9 °F", replay.Tolerance{Abs: 5}, ""},
		{"header_temperature=9F", replay.Tolerance{Abs: 5}, ""},
		{"header_temperature=5 °C", replay.Tolerance{Abs: 5}, ""},
		{"layers=0.5", replay.Tolerance{Abs: 0.5}, ""},
		{"gross=10 kg", replay.Tolerance{Abs: 10}, ""},
		{"overlap", replay.Tolerance{}, "want a setpoint and an amount"},
		{"glue=1 g", replay.Tolerance{}, "no setpoint compared is named"},
		{"overlap=1 kg", replay.Tolerance{}, "kg"},
		{"overlap=-1 mm", replay.Tolerance{}, "want 0 or more"},
		{"overlap=200 %", replay.Tolerance{}, "want 0 to 100"},
		{"overlap=NaN %", replay.Tolerance{}, "want 0 to 100"},
		{"overlap=5", replay.Tolerance{}, "5"},
	} {
		usages := replay.Usages()
		err := replay.SetTolerance(usages, c.text)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%s: got %v, want an error with %q", c.text, err, c.err)
			}
			continue
		}
		name, _, _ := strings.Cut(c.text, "=")
		for _, u := range usages {
			if u.Field.Word() == strings.TrimSpace(name) {
				got := u.Tolerance
				if err != nil || math.Abs(got.Abs-c.want.Abs) > 1e-9 || math.Abs(got.Rel-c.want.Rel) > 1e-9 || got.Scale {
					t.Errorf("%s: got %+v, %v, want %+v", c.text, got, err, c.want)
				}
			}
		}
	}
}
