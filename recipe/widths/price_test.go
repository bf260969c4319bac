package widths

import (
	"strings"
	"testing"
)

func TestPerUnit(t *testing.T) {
	for text, want := range map[string]float64{
		"0.35/m2": 0.35, "0 /m²": 0, "9.290304/1000ft2": 0.1, "0.09290304/ft2": 1,
	} {
		if got, err := perUnit(text, areaUnits()); err != nil || got < want-1e-12 || got > want+1e-12 {
			t.Errorf("%s is %g with %v, want %g by m²", text, got, err, want)
		}
	}
	for _, text := range []string{"", "1", "/m2", "1/", "-1/m2", "x/m2", "1/in", "NaN/m2", "1e99/m2"} {
		if v, err := perUnit(text, areaUnits()); err == nil {
			t.Errorf("%q is %g, want an error", text, v)
		} else if !strings.Contains(err.Error(), "want a number") {
			t.Errorf("%q: %v", text, err)
		}
	}
	if got, err := perUnit("1/in", lengthUnits()); err != nil || got < 39.37 || got > 39.3701 {
		t.Errorf("1/in is %g by m with %v", got, err)
	}
}

// TestPricesByMass: the unit behind the stroke tells by what a price is.
func TestPricesByMass(t *testing.T) {
	got, err := ParsePrices([]string{"0.35/m2", "kraft=1.2/kg", "poly = 2/lb"})
	if err != nil || len(got) != 3 || got[0].ByMass || !got[1].ByMass || got[1].Price != 1.2 || got[2].Paper != "poly" || !got[2].ByMass || got[2].Price < 4.409 || got[2].Price > 4.4093 {
		t.Errorf("got %+v with %v", got, err)
	}
	if _, err := ParsePrices([]string{"1/in", "kraft=/kg"}); err == nil || !strings.Contains(err.Error(), "m2, m²") || !strings.Contains(err.Error(), ", kg") {
		t.Errorf("got %v", err)
	}
}
