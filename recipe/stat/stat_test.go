package stat

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/big"
	"os"
	"slices"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

type reference struct {
	data   map[string][]float64
	expect []expectation
	single map[string]float64
}

type expectation struct {
	set, quantity    string
	value, tolerance float64
	source           string
}

func readReference(t *testing.T) reference {
	t.Helper()
	f, err := os.Open("../../testdata/reference/statistics.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	ref := reference{data: map[string][]float64{}, single: map[string]float64{}}
	for _, r := range rows[1:] {
		v, err := strconv.ParseFloat(r[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case r[1] == "data":
			ref.data[r[0]] = append(ref.data[r[0]], v)
		case r[3] == "":
			ref.single[r[0]+"/"+r[1]] = v
		default:
			tol, err := strconv.ParseFloat(r[3], 64)
			if err != nil {
				t.Fatal(err)
			}
			ref.expect = append(ref.expect, expectation{r[0], r[1], v, tol, r[4] + ": " + r[5]})
		}
	}
	num := []float64{ref.single["numacc4/data_first"]}
	for i := 0; i < 500; i++ {
		num = append(num, ref.single["numacc4/data_even"], ref.single["numacc4/data_odd"])
	}
	ref.data["numacc4"] = num
	return ref
}

func TestReference(t *testing.T) {
	ref := readReference(t)
	for set, n := range map[string]int{"michelso": 100, "numacc4": 1001, "grubbs8": 8} {
		if got := len(ref.data[set]); got != n {
			t.Fatalf("%s has %d values, want %d", set, got, n)
		}
	}
	if len(ref.expect) != 7 {
		t.Fatalf("%d expectations, want 7", len(ref.expect))
	}
	for _, e := range ref.expect {
		t.Run(e.set+"/"+e.quantity, func(t *testing.T) {
			x := ref.data[e.set]
			var got float64
			switch e.quantity {
			case "mean":
				got, _ = MeanSD(x)
			case "sd":
				_, got = MeanSD(x)
			case "median":
				got, _ = medianMAD(x)
			case "mad_raw":
				_, got = medianMAD(x)
			case "modified_z_last":
				median, mad := medianMAD(x)
				got = score(x[len(x)-1], median, mad)
			default:
				t.Fatalf("no such quantity %q", e.quantity)
			}
			if !(math.Abs(got/e.value-1) <= e.tolerance) {
				t.Errorf("got %.17g, want %.17g within %g (%s)", got, e.value, e.tolerance, e.source)
			}
		})
	}
}

// The handbook flags its last value alone; without it the largest is 202.18.
func TestHandbookOutlier(t *testing.T) {
	x := readReference(t).data["grubbs8"]
	flags := outliers(nil, x, zLimit, 0)
	if want := []bool{7: true}; !slices.Equal(flags, want) {
		t.Errorf("flags %v, want %v", flags, want)
	}
	r := Of(x, 0)
	mean, sd := MeanSD(x[:7])
	want := Robust{N: 7, Rejected: 1, Mean: mean, SD: sd, Median: 200.82, Min: 199.31, Max: 202.18}
	if r != want {
		t.Errorf("got %+v, want %+v", r, want)
	}
}

// A plain sum of squares fails on NumAcc4, which is why the set exists.
func TestNumAcc4DefeatsSumOfSquares(t *testing.T) {
	x := readReference(t).data["numacc4"]
	var s, q float64
	for _, v := range x {
		s += v
		q += v * v
	}
	naive := (q - s*s/float64(len(x))) / float64(len(x)-1)
	if math.Abs(naive-0.01) < 1e-6 {
		t.Errorf("the naive variance is %g: the set no longer shows the trap", naive)
	}
}

func median(x []float64) float64 {
	m, _ := medianMAD(x)
	return m
}

func TestEdges(t *testing.T) {
	nan := math.NaN()
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	for _, c := range []struct {
		name            string
		got, want       float64
		index, wantFrom int
	}{
		{name: "mean of none", got: Mean(nil), want: nan},
		{name: "median of none", got: median(nil), want: nan},
		{name: "median of one", got: median([]float64{3}), want: 3},
		{name: "median of two", got: median([]float64{3, 1}), want: 2},
		{name: "median with NaN", got: median([]float64{3, nan, 1}), want: nan},
		{name: "mean with NaN", got: Mean([]float64{3, nan, 1}), want: nan},
		{name: "z on the median of equals", got: score(2, 2, 0), want: 0},
		{name: "z off the median of equals", got: score(1, 2, 0), want: math.Inf(-1)},
	} {
		if !same(c.got, c.want) {
			t.Errorf("%s: got %v, want %v", c.name, c.got, c.want)
		}
	}
	if _, sd := MeanSD([]float64{1}); !math.IsNaN(sd) {
		t.Errorf("deviation of one value is %v, want NaN", sd)
	}
	for _, c := range []struct {
		x     []float64
		floor float64
		want  []bool
	}{
		{[]float64{1, 900}, 0, []bool{false, false}},
		{[]float64{1, nan}, 0, []bool{false, true}},
		{[]float64{1, 1, 1, 1.3}, 0, []bool{3: true}},
		{[]float64{1, 1, 1, 1.3}, 0.1, []bool{3: false}},
		{[]float64{1, 1, 1, 1.6}, 0.1, []bool{3: true}},
	} {
		if got := outliers(nil, c.x, zLimit, c.floor); !slices.Equal(got, c.want) {
			t.Errorf("outliers of %v with floor %g: got %v, want %v", c.x, c.floor, got, c.want)
		}
	}
	if r := Of(nil, 0); r.N != 0 || !math.IsNaN(r.Mean) || !math.IsNaN(r.Max) {
		t.Errorf("robust statistics of none: %+v", r)
	}
}

// Exact rational arithmetic is the second opinion on mean and deviation.
func TestMeanSDAgainstExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := rapid.Float64Range(-1e7, 1e7).Draw(t, "base")
		x := rapid.SliceOfN(rapid.Float64Range(-10, 10), 2, 40).Draw(t, "x")
		total := new(big.Rat)
		for i := range x {
			x[i] += base
			total.Add(total, new(big.Rat).SetFloat64(x[i]))
		}
		n := int64(len(x))
		exactMean := total.Quo(total, big.NewRat(n, 1))
		sq := new(big.Rat)
		for _, v := range x {
			d := new(big.Rat).Sub(new(big.Rat).SetFloat64(v), exactMean)
			sq.Add(sq, d.Mul(d, d))
		}
		variance, _ := sq.Quo(sq, big.NewRat(n-1, 1)).Float64()
		wantMean, _ := exactMean.Float64()
		mean, sd := MeanSD(x)
		if math.Abs(mean-wantMean) > 2e-16*math.Max(1, math.Abs(wantMean))*4 {
			t.Fatalf("mean %.17g, want %.17g", mean, wantMean)
		}
		if want := math.Sqrt(variance); math.Abs(sd-want) > 1e-9*want+1e-12 {
			t.Fatalf("sd %.17g, want %.17g", sd, want)
		}
	})
}

// What is kept lies between its own least and greatest, order does not matter,
// and a shift of all values shifts the result.
func TestRobustProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dmm := rapid.SliceOfN(rapid.IntRange(10000, 11000), 1, 12).Draw(t, "x")
		x := make([]float64, len(dmm))
		for i, v := range dmm {
			x[i] = float64(v)
		}
		r := Of(x, 1)
		if r.N+r.Rejected != len(x) || r.N < 1 {
			t.Fatalf("%d used and %d rejected of %d", r.N, r.Rejected, len(x))
		}
		if r.Min > r.Mean || r.Mean > r.Max || r.Min > r.Median || r.Median > r.Max {
			t.Fatalf("out of order: %+v", r)
		}
		turned := slices.Clone(x)
		slices.Reverse(turned)
		shifted := slices.Clone(x)
		for i := range shifted {
			shifted[i] += 1024
		}
		a, b := Of(turned, 1), Of(shifted, 1)
		if a.N != r.N || a.Median != r.Median || math.Abs(a.Mean-r.Mean) > 1e-9 {
			t.Fatalf("order matters: %+v and %+v", r, a)
		}
		if b.N != r.N || b.Median != r.Median+1024 || math.Abs(b.Mean-r.Mean-1024) > 1e-9 {
			t.Fatalf("a shift matters: %+v and %+v", r, b)
		}
	})
}

func TestNoAllocation(t *testing.T) {
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 120}
	var keep Robust
	if n := testing.AllocsPerRun(100, func() { keep = Of(x, 0.1) }); n != 0 {
		t.Errorf("Of allocates %v times for %d values", n, len(x))
	}
	if keep.Rejected != 1 {
		t.Errorf("rejected %d, want 1", keep.Rejected)
	}
}

func BenchmarkOf(b *testing.B) {
	for _, n := range []int{4, 8, 12} {
		x := make([]float64, n)
		for i := range x {
			x[i] = 12500 + float64(i*7%5)
		}
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			var r Robust
			for b.Loop() {
				r = Of(x, 1)
			}
			_ = r
		})
	}
}
