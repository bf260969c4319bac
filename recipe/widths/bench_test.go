package widths

import (
	"fmt"
	"testing"
)

// One million rolls of 400 widths, each with its own diameter, feed and fold
// limit, for six slots.
func BenchmarkMillionRolls(b *testing.B) {
	p := shift(1_000_000, 400, 400, 6)
	b.ReportAllocs()
	for b.Loop() {
		if r := solve(b, p); !r.Merged || !(r.Bound > 0.998*r.Best.Cost) {
			b.Fatalf("bound %v of %v, merged %v", r.Bound, r.Best.Cost, r.Merged)
		}
	}
}

// The same with unpriced paper, so that rolls of one width fall together.
func BenchmarkMillionRollsByWidth(b *testing.B) {
	p := shift(1_000_000, 400, 400, 6)
	p.Prices = nil
	b.ReportAllocs()
	for b.Loop() {
		if r := solve(b, p); !r.Exact {
			b.Fatal("not exact")
		}
	}
}

// The growth with candidates, n·w² + k·m²; rolls and widths stay.
func BenchmarkCandidates(b *testing.B) {
	for _, m := range []int{100, 200, 400, 800, 1600} {
		b.Run(fmt.Sprint(m), func(b *testing.B) {
			p := shift(10_000, 400, m, 6)
			p.Prices = nil
			b.ReportAllocs()
			for b.Loop() {
				solve(b, p)
			}
		})
	}
}

func BenchmarkBranch(b *testing.B) {
	for _, n := range []int{20, 50, 100} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			p := tangle(1, n, n, 5)
			b.ReportAllocs()
			for b.Loop() {
				solve(b, p)
			}
		})
	}
}
