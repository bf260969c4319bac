package drive_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/drive"
)

func TestMoveReference(t *testing.T) {
	f, err := os.Open("../../testdata/reference/motion.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatal("no rows", err)
	}
	for _, row := range rows[1:] {
		var v [6]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		got, _, ok := drive.Move{Path: v[0], Speed: v[1], Accel: v[2], Decel: v[3]}.Time()
		if !ok || math.Abs(got-v[4]) > v[5]*v[4] {
			t.Errorf("%v: %v, want %v (%s, %s)", row[:4], got, v[4], row[6], row[7])
		}
	}
}

// TestMoveBySteps lets the move run in small steps of time.
func TestMoveBySteps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drive.Move{
			Path:  rapid.Float64Range(0.01, 50).Draw(t, "path"),
			Speed: rapid.Float64Range(0.05, 5).Draw(t, "speed"),
			Accel: rapid.Float64Range(0.05, 5).Draw(t, "accel"),
			Decel: rapid.Float64Range(0.05, 5).Draw(t, "decel"),
		}
		want, peak, ok := m.Time()
		if !ok || peak > m.Speed {
			t.Fatalf("time %v, peak %v, %v", want, peak, ok)
		}
		const steps = 5000
		dt := want / steps
		path := 0.0
		for i := range steps {
			at := (float64(i) + 0.5) * dt
			path += dt * math.Min(peak, math.Min(m.Accel*at, m.Decel*(want-at)))
		}
		if math.Abs(path/m.Path-1) > 5e-4 {
			t.Errorf("in %v s the move goes %v, want %v", want, path, m.Path)
		}
	})
}

func TestMoveRefuses(t *testing.T) {
	good := drive.Move{1, 1, 1, 1}
	for _, bad := range []float64{0, -1, math.NaN()} {
		for i := range 4 {
			m := good
			*[]*float64{&m.Path, &m.Speed, &m.Accel, &m.Decel}[i] = bad
			seconds, _, ok := m.Time()
			if still := i == 0 && bad == 0; ok != still || math.IsNaN(seconds) {
				t.Errorf("%+v: %v, %v", m, seconds, ok)
			}
		}
	}
}

func BenchmarkMove(b *testing.B) {
	m := drive.Move{5, 0.4, 0.25, 0.25}
	b.ReportAllocs()
	for range b.N {
		s, _, _ := m.Time()
		sinkTime = s
	}
}

var sinkTime float64
