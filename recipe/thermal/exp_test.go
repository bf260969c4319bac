package thermal

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestExp holds e^x to the library's, over all sizes and at the edges of the table's parts.
func TestExp(t *testing.T) {
	check := func(size float64) {
		for _, x := range []float64{size, -size} {
			if got, want := exp(x), math.Exp(x); !(math.Abs(got-want) <= 7e-16*want) {
				t.Errorf("e^%v: %v, want %v", x, got, want)
			}
		}
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 1_000_000 {
		check(math.Exp(20*r.Float64() - 20 + math.Log(699.9)))
		check(699.9 * r.Float64())
	}
	for k := range 64 * 1000 {
		for _, half := range []float64{0, 0.5} {
			edge := (float64(k) + half) * math.Ln2 / 64
			if edge < 699 {
				check(edge)
				check(math.Nextafter(edge, 0))
				check(math.Nextafter(edge, 1e9))
			}
		}
	}
	for _, x := range []float64{0, 700, -700, 1e9, -1e9, math.Inf(1), math.Inf(-1)} {
		if got := exp(x); got != math.Exp(x) {
			t.Errorf("e^%v: %v", x, got)
		}
	}
	if got := exp(math.NaN()); !math.IsNaN(got) {
		t.Errorf("of what is no number: %v", got)
	}
}
