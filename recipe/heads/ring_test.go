package heads_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/heads"
)

// rows reads one file of outside numbers as maps by column, each row with its
// label and source.
func rows(t *testing.T, name string) (list []map[string]string) {
	t.Helper()
	f, err := os.Open("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	for _, row := range all[1:] {
		m := map[string]string{}
		for i, column := range all[0] {
			m[column] = row[i]
		}
		list = append(list, m)
	}
	return list
}

func number(t *testing.T, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("%s: %v", column, err)
	}
	return v
}

func TestRingReference(t *testing.T) {
	for _, row := range rows(t, "ring.csv") {
		roll := 2 * number(t, row, "radius")
		force, err := heads.Cylinder{Bore: number(t, row, "bore"), Efficiency: number(t, row, "efficiency"), Count: 1}.Force(number(t, row, "hydraulic"))
		if want := number(t, row, "force"); err != nil || math.Abs(force-want) > 0.5 {
			t.Errorf("force %v N, %v; want %v (%s, %s)", force, err, want, row["label"], row["source"])
		}
		ring := heads.Ring{Roll: roll, Overhang: number(t, row, "overhang"), Head: roll, Platen: 1.9, Core: number(t, row, "core")}
		got, err := ring.Pressure(force)
		most := number(t, row, "tolerance") * 1000
		if want := number(t, row, "ring") * 1000; err != nil || math.Abs(got-want) > most {
			t.Errorf("ring of a roll of %v m: %v Pa, %v; want %v (%s, %s)", roll, got, err, want, row["label"], row["source"])
		}
		// A fold that reaches the core carries on the whole face.
		ring.Overhang = roll
		got, err = ring.Pressure(force)
		if want := number(t, row, "face") * 1000; err != nil || math.Abs(got-want) > most {
			t.Errorf("face of a roll of %v m: %v Pa, %v; want %v (%s, %s)", roll, got, err, want, row["label"], row["source"])
		}
	}
}

func TestRing(t *testing.T) {
	good := heads.Ring{Roll: 1, Overhang: 0.125, Head: 0.95, Platen: 1.9, Core: 0.1}
	change := func(f func(r *heads.Ring)) heads.Ring { r := good; f(&r); return r }
	for _, c := range []struct {
		name         string
		ring         heads.Ring
		outer, inner float64
		err          error
	}{
		{"edge of the head", good, 0.475, 0.375, nil},
		{"edge of the platen", change(func(r *heads.Ring) { r.Platen = 0.9 }), 0.45, 0.375, nil},
		{"fold over the core", change(func(r *heads.Ring) { r.Overhang = 0.6 }), 0.475, 0.05, nil},
		{"no core", change(func(r *heads.Ring) { r.Overhang, r.Core = 0.6, 0 }), 0.475, 0, nil},
		{"fold does not reach under the head", change(func(r *heads.Ring) { r.Overhang = 0.025 }), 0, 0, heads.NoRing},
		{"fold outside the platen", change(func(r *heads.Ring) { r.Platen = 0.7 }), 0, 0, heads.NoRing},
		{"no roll", change(func(r *heads.Ring) { r.Roll = math.NaN() }), 0, 0, heads.BadArea},
		{"no overhang", change(func(r *heads.Ring) { r.Overhang = 0 }), 0, 0, heads.BadArea},
		{"endless head", change(func(r *heads.Ring) { r.Head = math.Inf(1) }), 0, 0, heads.BadArea},
		{"core below nothing", change(func(r *heads.Ring) { r.Core = -1 }), 0, 0, heads.BadArea},
	} {
		got, err := c.ring.Area()
		if want := math.Pi * (c.outer*c.outer - c.inner*c.inner); !errors.Is(err, c.err) || math.Abs(got-want) > 1e-12 {
			t.Errorf("%s: %v m², %v; want %v, %v", c.name, got, err, want, c.err)
		}
	}
	if _, err := good.Pressure(math.NaN()); !errors.Is(err, heads.BadForce) {
		t.Errorf("no force: %v", err)
	}
}

// TestRingGrowsWithTheFold: a longer fold has more to stand on.
func TestRingGrowsWithTheFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := heads.Ring{
			Roll: rapid.Float64Range(0.3, 1.8).Draw(t, "roll"), Overhang: rapid.Float64Range(0.05, 0.3).Draw(t, "overhang"),
			Platen: 1.9, Core: 0.1,
		}
		r.Head = r.Roll - rapid.Float64Range(0, 0.05).Draw(t, "edge")
		before, err := r.Pressure(10000)
		if err != nil {
			t.Fatal(err)
		}
		r.Overhang += 0.01
		after, err := r.Pressure(10000)
		if err != nil || after > before {
			t.Errorf("%+v: %v Pa, with 10 mm less fold %v Pa, %v", r, after, before, err)
		}
	})
}

// TestContactWithinPublished: the default of judgement (J), 150 W/m²K at 10 kPa
// with an exponent of 0.10, lies between what was published for platen and
// paper at both pressures, and so does its exponent.
func TestContactWithinPublished(t *testing.T) {
	contact := heads.Contact{Conductance: 150, Reference: 10e3, Exponent: 0.10, Least: 2e3, Most: 400e3}
	list := rows(t, "conductance.csv")
	for _, row := range list {
		p := number(t, row, "pressure_kpa") * 1000
		h, outside, err := contact.At(p)
		if err != nil || outside || h < number(t, row, "low") || h > number(t, row, "high") {
			t.Errorf("%v Pa: %v W/m²K, outside %v, %v; published %s to %s (%s, %s)", p, h, outside, err, row["low"], row["high"], row["label"], row["source"])
		}
	}
	exponent := func(column string) float64 {
		first, last := list[0], list[len(list)-1]
		return math.Log(number(t, last, column)/number(t, first, column)) / math.Log(number(t, last, "pressure_kpa")/number(t, first, "pressure_kpa"))
	}
	// Published as 0.08 to 0.17.
	if low, high := exponent("low"), exponent("high"); math.Abs(low-0.084) > 5e-4 || math.Abs(high-0.167) > 5e-4 || contact.Exponent < low || contact.Exponent > high {
		t.Errorf("exponents %v to %v", low, high)
	}
}

func TestContact(t *testing.T) {
	good := heads.Contact{Conductance: 150, Reference: 10e3, Exponent: 0.10, Least: 5e3, Most: 50e3}
	change := func(f func(c *heads.Contact)) heads.Contact { c := good; f(&c); return c }
	nan := math.NaN()
	for _, c := range []struct {
		name     string
		contact  heads.Contact
		pressure float64
		want     float64
		outside  bool
		err      error
	}{
		{"as calibrated", good, 10e3, 150, false, nil},
		{"twice the pressure", good, 20e3, 150 * math.Pow(2, 0.1), false, nil},
		{"lower end", good, 5e3, 150 * math.Pow(0.5, 0.1), false, nil},
		{"below", good, 100, 150 * math.Pow(0.5, 0.1), true, nil},
		{"above", good, 1e6, 150 * math.Pow(5, 0.1), true, nil},
		{"constant", change(func(c *heads.Contact) { c.Exponent = 0 }), 20e3, 150, false, nil},
		{"no pressure", good, 0, 0, false, heads.BadPressure},
		{"pressure no number", good, nan, 0, false, heads.BadPressure},
		{"no conductance", change(func(c *heads.Contact) { c.Conductance = nan }), 1, 0, false, heads.BadContact},
		{"no reference", change(func(c *heads.Contact) { c.Reference = 0 }), 1, 0, false, heads.BadContact},
		{"falling", change(func(c *heads.Contact) { c.Exponent = -1 }), 1, 0, false, heads.BadContact},
		{"from nothing", change(func(c *heads.Contact) { c.Least = 0 }), 1, 0, false, heads.BadContact},
		{"ends crossed", change(func(c *heads.Contact) { c.Most = 1 }), 1, 0, false, heads.BadContact},
	} {
		got, outside, err := c.contact.At(c.pressure)
		if !errors.Is(err, c.err) || outside != c.outside || math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %v, %v, %v; want %v", c.name, got, outside, err, c.want)
		}
	}
}

func TestRingAllocatesNothing(t *testing.T) {
	ring := heads.Ring{Roll: 1, Overhang: 0.125, Head: 0.95, Platen: 1.9, Core: 0.1}
	contact := heads.Contact{Conductance: 150, Reference: 10e3, Exponent: 0.10, Least: 5e3, Most: 50e3}
	if n := testing.AllocsPerRun(100, func() {
		p, _ := ring.Pressure(11222)
		_, _, _ = contact.At(p)
		_, _, _ = contact.At(-1)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
