package report_test

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"lapgate/gateway/report"
	"lapgate/recipe"
)

// Chances that are right are seldom off, and those that are half of the truth
// are found out.
func TestReliability(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var r report.Reliability
	for range 200_000 {
		p := math.Pow(10, -5*rng.Float64())
		r.Add(recipe.RiskBond, p, rng.Float64() < p)
		r.Add(recipe.RiskLap, p/2, rng.Float64() < p)
		r.Add(recipe.RiskScorch, 0, false)
	}
	for _, p := range []float64{math.NaN(), -0.1, 1.1} {
		r.Add(recipe.RiskSheet, p, true)
	}
	r.Add(recipe.RiskKinds, 0.5, true)
	off, rolls := map[string]int{}, map[string]int{}
	last := report.Reliable{}
	for _, p := range r.Curves() {
		rolls[p.Kind] += p.Rolls
		if p.Off {
			off[p.Kind]++
		}
		if p.Kind == last.Kind && p.Stated <= last.Stated {
			t.Errorf("%+v after %+v", p, last)
		}
		if !(p.Least <= p.Share && p.Share <= p.Most) || math.Abs(p.Share*float64(p.Rolls)-float64(p.Bad)) > 1e-6 {
			t.Errorf("%+v", p)
		}
		last = p
	}
	if rolls["bond"] != 200_000 || rolls["lap"] != 200_000 || rolls["scorch"] != 200_000 || len(rolls) != 3 {
		t.Errorf("rolls %v", rolls)
	}
	if off["bond"] > 1 || off["scorch"] != 0 || off["lap"] < 6 {
		t.Errorf("off %v, want one of bond at most and most of lap", off)
	}
}

// The interval of 10 in 100 at 95 % and of none in 20, as the formula gives
// them by hand (D).
func TestReliabilityInterval(t *testing.T) {
	var r report.Reliability
	for i := range 100 {
		r.Add(recipe.RiskCore, 0.15, i < 10)
	}
	for range 20 {
		r.Add(recipe.RiskHead, 0.001, false)
	}
	c := r.Curves()
	if len(c) != 2 || math.Abs(c[0].Least-0.05523) > 1e-4 || math.Abs(c[0].Most-0.17437) > 1e-4 || c[0].Off {
		t.Errorf("10 in 100: %+v", c)
	}
	if c[1].Least != 0 || math.Abs(c[1].Most-0.16113) > 1e-4 || c[1].Off {
		t.Errorf("none in 20: %+v", c[1])
	}
}

func TestReliabilityDrawing(t *testing.T) {
	var r report.Reliability
	if s := r.Drawing("a < b"); !strings.Contains(s, "nothing to show") || !strings.Contains(s, "a &lt; b") {
		t.Error(s)
	}
	for i := range 1000 {
		r.Add(recipe.RiskBond, 0.01, i < 10)
		r.Add(recipe.RiskBond, 0.001, i < 400)
		r.Add(recipe.RiskLap, 1e-9, false)
	}
	s := r.Drawing("curve")
	for d := xml.NewDecoder(strings.NewReader(s)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	for _, want := range []string{
		"bond not reached, 2000 rolls", "lap too short, 1000 rolls", "stated 1 %, 10 of 1000 judged bad",
		// 1 % is two thirds of the way from 1e-6 to 1, and on the diagonal
		`<circle class="p" cx="278.0" cy="130.0"`,
		// 40 % bad of what was given 0.1 % is off
		`<circle class="o" cx="228.0"`,
		// what is less than can be drawn stands at the edge
		`<circle class="p" cx="78.0" cy="330.0"`,
	} {
		if !strings.Contains(s, want) {
			t.Errorf("no %s in\n%s", want, s)
		}
	}
}
