package report

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lapgate/gateway/report/reporttest"
)

func TestPanels(t *testing.T) {
	for _, n := range []int{0, 1, 2, mostPoints, mostPoints + 1, 20000} {
		var g Panel
		g.Title, g.Unit, g.Across = "a < b & c", "mm", "roll"
		for i := range n {
			g.Points = append(g.Points, Point{X: float64(i + 1), Y: math.Sin(float64(i)), Band: 0.5, Out: i == n/2})
		}
		var list []Panel
		if n > 0 {
			list = append(list, g)
		}
		text := Panels("<title>", list)
		elements := reporttest.WellFormed(t, text)
		switch {
		case n <= mostPoints && elements["circle"] != n:
			t.Errorf("%d points drawn, want %d", elements["circle"], n)
		case n > mostPoints && len(text) > 200<<10:
			t.Errorf("%d points make %d bytes", n, len(text))
		}
		if n > 0 && strings.Count(text, `class="o"`)+strings.Count(text, `class="x"`) != 1 {
			t.Errorf("%d points: the one out of tolerance is not marked once", n)
		}
	}
	flat := Panel{Title: "flat", Points: []Point{{X: 1}, {X: 2}}}
	reporttest.WellFormed(t, Panels("flat", []Panel{flat}))
}

func TestTicks(t *testing.T) {
	for _, c := range []struct{ least, most float64 }{{0, 1}, {-1, 1}, {-0.003, 0.02}, {0, 99999}, {1e-9, 2e-9}, {-7, -2}} {
		ticks := ticksOf(c.least, c.most, 5)
		if len(ticks) < 3 || len(ticks) > 9 || ticks[0] > c.least || ticks[len(ticks)-1] < c.most {
			t.Errorf("%v to %v: ticks %v", c.least, c.most, ticks)
		}
	}
}

// Each value falls into the class that spans it, and none is lost.
func TestBins(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var g bars
		for i, v := range rapid.SliceOfN(rapid.Float64Range(-500, 500), 1, 200).Draw(t, "values") {
			g.values = append(g.values, barValue{v, i%3 == 0})
		}
		if rapid.Bool().Draw(t, "windows") {
			g.any, g.every = [2]float64{-20, 700}, [2]float64{1, 2}
		}
		first, width, counts := g.bins()
		want := make([]barCount, len(counts))
		sum := 0
		for i := range counts {
			sum += counts[i].all
			for _, x := range g.values {
				if k := (x.v - first) / width; k+1e-9 >= float64(i) && k+1e-9 < float64(i+1) {
					want[i].all++
					if x.out {
						want[i].out++
					}
				}
			}
		}
		if sum != len(g.values) || fmt.Sprint(counts) != fmt.Sprint(want) {
			t.Fatalf("classes %v, want %v from %v by %v", counts, want, first, width)
		}
		wellFormedBars(t, &g)
	})
}

func wellFormedBars(t *rapid.T, g *bars) {
	if text := g.drawing(nil); strings.Contains(text, "NaN") || strings.Contains(text, "Inf") || !strings.HasSuffix(text, "</svg>\n") {
		t.Fatalf("drawing %s", text)
	}
}
