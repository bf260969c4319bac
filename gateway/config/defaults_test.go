package config_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/config"
	"lapgate/recipe/quantity"
)

// TestDefaultsRestOnReferences holds the defaults to what is known of paper,
// of its coatings and of the trade; each row names its source.
func TestDefaultsRestOnReferences(t *testing.T) {
	text, err := os.ReadFile("../../testdata/reference/materials.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 9 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	s := load(t, config.Source{})
	held := map[string]quantity.Dimension{
		"W/mK": quantity.Conductivity, "J/kgK": quantity.HeatCapacity, "°C": quantity.Temperature,
		"°F": quantity.Temperature, "in": quantity.Length, "": quantity.None,
	}
	for _, row := range rows[1:] {
		dim, ok := held[row[3]]
		if !ok {
			t.Fatalf("unit %q is of no dimension known here", row[3])
		}
		bound := func(i int) float64 {
			v, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		for _, part := range strings.Split(effective(t, s, row[0]).Value, "..") {
			v, err := quantity.Parse(part, dim)
			if err != nil {
				t.Fatalf("%s: %v", row[0], err)
			}
			const rounding = 1e-9
			if got := quantity.In(v, dim, row[3]); got < bound(1)-rounding || got > bound(2)+rounding {
				t.Errorf("%s is %s, want %s to %s %s; %s (%s)", row[0], part, row[1], row[2], row[3], row[5], row[4])
			}
		}
	}
}
