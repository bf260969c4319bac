package scan

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

func request() handshake.Request {
	r := handshake.Request{
		GenHead: 9, GenTail: 9, Boot: 41, Tick: 880100, Phase: handshake.Await,
		Flags: handshake.DimensionsValid | handshake.AllPermissives, Permissives: 0x3F,
		RollNo: 1190, Req: 1205, Tag: "R2026-001190",
		Diameter: 12504, Width: 16020, Weight: 15480, Grade: 7, Core: 2, Quality: 96, ScanAge: 250,
		UnitMode: 1, UnitState: 6, DiameterN: 6, WidthN: 4,
		SlotsReady: 0b101001, SlotOuter: [6]uint16{900, 0, 0, 850, 0, 1010}, SlotConfirmed: 4, Platen: 1762,
	}
	copy(r.Diameters[:], []uint16{12500, 12502, 12504, 12506, 12508, 12504})
	copy(r.Widths[:], []uint16{16018, 16020, 16022, 16024})
	return r
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-12*math.Max(1, math.Abs(want))) {
		t.Errorf("%s is %.15g, want %.15g", what, got, want)
	}
}

func TestFromRequest(t *testing.T) {
	req := request()
	roll, stand := FromRequest(&req)
	near(t, "diameter", roll.Diameter, 1.2504)
	// Deviations −4 −2 0 2 4 0: s² = 40/5, u(mean) = √(8/6), and the resolution.
	res := 0.05e-3 / math.Sqrt(3)
	near(t, "diameter uncertainty", roll.DiameterU, math.Hypot(math.Sqrt(8./6)*1e-4, res))
	near(t, "largest diameter", roll.DiameterMax, 1.2508)
	near(t, "ovality", roll.Ovality, 8./12504)
	near(t, "width", roll.Width, 1.6021)
	near(t, "narrowest", roll.WidthMin, 1.6018)
	near(t, "widest", roll.WidthMax, 1.6024)
	near(t, "smallest diameter", roll.DiameterMin, 1.25)
	// Deviations from the mean −4 −2 0 2 4 0 at −2.5 … 2.5: 20/17.5 of 0.1 mm a sensor.
	near(t, "taper", roll.Taper, 5*20/17.5*1e-4)
	near(t, "width uncertainty", roll.WidthU, math.Hypot(math.Sqrt(20./3/4)*1e-4, res))
	near(t, "median width", roll.WidthMedian, 1.6021)
	near(t, "width spread", roll.WidthSpread, 0.0006)
	near(t, "quality", roll.Quality, 0.96)
	near(t, "age", roll.Age, 2.5)
	near(t, "known weight", roll.KnownWeight, 1548)
	rest := roll
	rest.Diameter, rest.DiameterU, rest.DiameterMin, rest.DiameterMax, rest.Ovality, rest.Taper = 0, 0, 0, 0, 0, 0
	rest.Width, rest.WidthU, rest.WidthMin, rest.WidthMax, rest.WidthMedian, rest.WidthSpread = 0, 0, 0, 0, 0, 0
	rest.Quality, rest.Age, rest.KnownWeight = 0, 0, 0
	if want := (recipe.Roll{Number: 1190, Tag: "R2026-001190", Grade: 7, Core: 2, DiameterN: 6, WidthN: 4,
		MeasuredFrom: MeasuredByController}); rest != want {
		t.Errorf("the rest is %+v, want %+v", rest, want)
	}
	if want := (recipe.Stand{
		Ready: [6]bool{true, false, false, true, false, true}, Outer: [6]float64{0.9, 0, 0, 0.85, 0, 1.01},
		Confirmed: 4, Permissives: 0x3F, Platen: 176.2, Mode: 1, State: 6,
	}); stand != want {
		t.Errorf("stand is %+v, want %+v", stand, want)
	}
}

func TestSamples(t *testing.T) {
	for _, c := range []struct {
		name           string
		change         func(*handshake.Request)
		diameter       float64
		width          float64
		quality        float64
		used, rejected int
		differ         bool
	}{
		{"as it is", func(*handshake.Request) {}, 1.2504, 1.6021, 0.96, 10, 0, false},
		{"a zero is rejected", func(r *handshake.Request) { r.Diameters[2] = 0 }, 1.2504, 1.6021, 0.96 * 5 / 6, 9, 1, false},
		{"absurdly large", func(r *handshake.Request) { r.Diameters[5] = 18757 }, 1.2504, 1.6021, 0.96 * 5 / 6, 9, 1, false},
		{"absurdly small", func(r *handshake.Request) { r.Widths[0] = 8009 }, 1.2504, 1.6022, 0.96 * 3 / 4, 9, 1, false},
		{"an outlier", func(r *handshake.Request) { r.Widths[3] = 16120 }, 1.2504, 1.6020, 0.96 * 3 / 4, 9, 1, false},
		{"the worse dimension counts", func(r *handshake.Request) { r.Widths[0], r.Diameters[0] = 0, 0 }, 1.25048, 1.6022, 0.96 * 3 / 4, 8, 2, false},
		{"all rejected", func(r *handshake.Request) { r.Widths = [8]uint16{} }, 1.2504, 1.6020, 0, 6, 4, false},
		{"no samples", func(r *handshake.Request) { r.DiameterN, r.WidthN = 0, 0 }, 1.2504, 1.6020, 0.96, 0, 0, false},
		{"too many said", func(r *handshake.Request) { r.DiameterN = 13 }, 1.2504, 1.6021, 0, 4, 0, false},
		{"own diameter differs", func(r *handshake.Request) { r.Diameter = 12700 }, 1.2504, 1.6021, 0.48, 10, 0, true},
		{"own width differs", func(r *handshake.Request) { r.Width = 16200 }, 1.2504, 1.6021, 0.48, 10, 0, true},
		{"own diameter close", func(r *handshake.Request) { r.Diameter = 12550 }, 1.2504, 1.6021, 0.96, 10, 0, false},
		{"quality beyond its range", func(r *handshake.Request) { r.Quality = 101 }, 1.2504, 1.6021, 0, 10, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			req := request()
			c.change(&req)
			roll, _ := FromRequest(&req)
			near(t, "diameter", roll.Diameter, c.diameter)
			near(t, "width", roll.Width, c.width)
			near(t, "quality", roll.Quality, c.quality)
			if got := roll.DiameterN + roll.WidthN; got != c.used {
				t.Errorf("%d samples used, want %d", got, c.used)
			}
			if roll.SamplesRejected != c.rejected {
				t.Errorf("%d samples rejected, want %d", roll.SamplesRejected, c.rejected)
			}
			if roll.SamplesDiffer != c.differ {
				t.Errorf("differ is %v, want %v", roll.SamplesDiffer, c.differ)
			}
		})
	}
}

// An end that stands out is left out of the width and still seen in the spread.
func TestSpreadSeesOutlier(t *testing.T) {
	req := request()
	req.Widths[3] = 16420
	roll, _ := FromRequest(&req)
	near(t, "width", roll.Width, 1.6020)
	near(t, "spread", roll.WidthSpread, 0.0402)
}

func TestSingleReading(t *testing.T) {
	req := request()
	req.DiameterN, req.WidthN = 1, 0
	roll, _ := FromRequest(&req)
	want := math.Hypot(SingleReading, 0.05e-3/math.Sqrt(3))
	near(t, "diameter uncertainty", roll.DiameterU, want)
	near(t, "width uncertainty", roll.WidthU, want)
	req.DiameterN = 2
	roll, _ = FromRequest(&req)
	near(t, "diameter uncertainty of two", roll.DiameterU, math.Hypot(SingleReading/math.Sqrt2, 0.05e-3/math.Sqrt(3)))
}

// A reading that is missing is no roll of size zero.
func TestMissingIsNotZero(t *testing.T) {
	for name, change := range map[string]func(*handshake.Request){
		"dimensions not valid": func(r *handshake.Request) { r.Flags &^= handshake.DimensionsValid },
		"no diameter":          func(r *handshake.Request) { r.Diameter = 0 },
		"no width":             func(r *handshake.Request) { r.Width = 0 },
	} {
		t.Run(name, func(t *testing.T) {
			req := request()
			change(&req)
			roll, _ := FromRequest(&req)
			want := recipe.Roll{Number: 1190, Tag: "R2026-001190", Age: 2.5, KnownWeight: 1548, Grade: 7, Core: 2}
			if roll != want {
				t.Errorf("got %+v, want %+v", roll, want)
			}
		})
	}
}

// Whatever the samples: the values are finite and ordered, and no rejected
// sample can pull a value outside what the others span.
func TestFromRequestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		req := request()
		sample := rapid.OneOf(rapid.Uint16Range(12400, 12600), rapid.Uint16())
		for i := range req.Diameters {
			req.Diameters[i] = sample.Draw(t, "d")
		}
		for i := range req.Widths {
			req.Widths[i] = rapid.OneOf(rapid.Uint16Range(15900, 16100), rapid.Uint16()).Draw(t, "w")
		}
		req.DiameterN = rapid.Uint16Range(0, 14).Draw(t, "nd")
		req.WidthN = rapid.Uint16Range(0, 10).Draw(t, "nw")
		req.Diameter = rapid.Uint32Range(1, 30000).Draw(t, "own diameter")
		roll, _ := FromRequest(&req)
		sane(t, &req, roll)
	})
}

type fataler interface{ Fatalf(string, ...any) }

func sane(t fataler, req *handshake.Request, r recipe.Roll) {
	for _, v := range []float64{r.Diameter, r.DiameterU, r.DiameterMin, r.DiameterMax, r.Ovality, r.Width, r.WidthU, r.WidthMin, r.WidthMax, r.WidthMedian, r.WidthSpread, r.Quality, r.Age} {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			t.Fatalf("%v in %+v", v, r)
		}
	}
	if r.Quality > 1 || r.Diameter > r.DiameterMax*(1+1e-12) || r.Diameter < r.DiameterMin*(1-1e-12) ||
		r.Width > r.WidthMax*(1+1e-12) || r.Width < r.WidthMin*(1-1e-12) {
		t.Fatalf("out of order: %+v", r)
	}
	if r.MeasuredFrom == "" {
		if r.Quality != 0 || r.Diameter != 0 {
			t.Fatalf("unmeasured with values: %+v", r)
		}
		return
	}
	own := float64(req.Diameter) / 1e4
	if r.Diameter < own*(1-Absurd)*(1-1e-12) || r.DiameterMax > own*(1+Absurd)*(1+1e-12) {
		t.Fatalf("diameter %v to %v is absurd beside %v", r.Diameter, r.DiameterMax, own)
	}
	if r.DiameterU <= 0 || r.WidthU <= 0 {
		t.Fatalf("no uncertainty: %+v", r)
	}
}

func TestDecode(t *testing.T) {
	req := request()
	words := make([]uint16, handshake.ReqWords)
	if err := req.Encode(words); err != nil {
		t.Fatal(err)
	}
	v, ok := Decode(words).(cycle.View)
	if !ok {
		t.Fatalf("got %T, want cycle.View", Decode(words))
	}
	if v.Request != req {
		t.Errorf("request is %+v, want %+v", v.Request, req)
	}
	if roll, stand := FromRequest(&req); v.Roll != roll || v.Stand != stand {
		t.Errorf("roll and stand are %+v %+v, want %+v %+v", v.Roll, v.Stand, roll, stand)
	}
	for _, c := range []struct {
		cause  string
		damage func([]uint16) []uint16
	}{
		{handshake.CauseLength, func(w []uint16) []uint16 { return w[:95] }},
		{handshake.CauseLength, func([]uint16) []uint16 { return nil }},
		{handshake.CauseType, func(w []uint16) []uint16 { w[0]++; return w }},
		{handshake.CauseCRC, func(w []uint16) []uint16 { w[30] ^= 1; return w }},
		{handshake.CauseGeneration, func(w []uint16) []uint16 { w[93]++; return w }},
		{handshake.CauseLayout, func(w []uint16) []uint16 { w[1]--; mend(w); return w }},
	} {
		got := Decode(c.damage(slices.Clone(words)))
		if got != (cycle.BadView{Cause: c.cause}) {
			t.Errorf("got %+v, want a BadView with cause %s", got, c.cause)
		}
	}
}

// mend makes the checksum hold again.
func mend(w []uint16) {
	crc := handshake.CRC(w[:handshake.ReqWords-2])
	w[handshake.ReqWords-2], w[handshake.ReqWords-1] = uint16(crc>>16), uint16(crc)
}

func TestNoAllocation(t *testing.T) {
	req := request()
	var roll recipe.Roll
	if n := testing.AllocsPerRun(100, func() { roll, _ = FromRequest(&req) }); n != 0 {
		t.Errorf("FromRequest allocates %v times", n)
	}
	if roll.DiameterN != 6 {
		t.Errorf("%d samples used, want 6", roll.DiameterN)
	}
}

// With mended set, type, layout, generation and checksum are put right, so that
// what comes in after them is reached.
func FuzzDecode(f *testing.F) {
	req := request()
	words := make([]uint16, handshake.ReqWords)
	if err := req.Encode(words); err != nil {
		f.Fatal(err)
	}
	var good []byte
	for _, w := range words {
		good = binary.BigEndian.AppendUint16(good, w)
	}
	f.Add(good, false)
	f.Add(good, true)
	f.Add(good[:17], false)
	f.Add([]byte{}, true)
	f.Fuzz(func(t *testing.T, b []byte, mended bool) {
		w := make([]uint16, len(b)/2, max(len(b)/2, handshake.ReqWords))
		for i := range w {
			w[i] = binary.BigEndian.Uint16(b[2*i:])
		}
		if mended {
			w = w[:min(cap(w), handshake.ReqWords)]
			w[0], w[1], w[93] = words[0], words[1], w[2]
			mend(w)
		}
		switch e := Decode(w).(type) {
		case cycle.View:
			sane(t, &e.Request, e.Roll)
			again := make([]uint16, handshake.ReqWords)
			if err := e.Request.Encode(again); err != nil {
				t.Fatalf("a request that was read cannot be written: %v", err)
			}
			if !slices.Equal(again, w) {
				t.Fatalf("read %v, wrote %v", w, again)
			}
		case cycle.BadView:
			if !slices.Contains([]string{handshake.CauseLength, handshake.CauseType, handshake.CauseLayout, handshake.CauseCRC, handshake.CauseGeneration}, e.Cause) {
				t.Fatalf("cause %q", e.Cause)
			}
		default:
			t.Fatalf("event %T", e)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	req := request()
	words := make([]uint16, handshake.ReqWords)
	if err := req.Encode(words); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, ok := Decode(words).(cycle.View); !ok {
			b.Fatal("no view")
		}
	}
}

func BenchmarkFromRequest(b *testing.B) {
	req := request()
	b.ReportAllocs()
	for b.Loop() {
		_, _ = FromRequest(&req)
	}
}
