package recipe_test

import (
	"reflect"
	"testing"

	"lapgate/recipe"
)

// Every station is found by its key, and each has a mode of its own.
func TestStationKeys(t *testing.T) {
	keys := recipe.StationKeys()
	if len(keys) != reflect.TypeFor[recipe.Equipment]().NumField() {
		t.Fatalf("keys %v", keys)
	}
	var e recipe.Equipment
	for _, k := range keys {
		m := e.Mode(k)
		if m == nil || *m != recipe.Absent {
			t.Fatalf("%s: %v", k, m)
		}
		*m = recipe.Semi
	}
	if e.Mode("press") != nil || e.Header != recipe.Semi || e.Drives.String() != "semi" || recipe.Mode(9).String() != "unknown" {
		t.Errorf("%+v", e)
	}
}

// A slot takes what it lists, and without a list what any slot of the stand has.
func TestMayHang(t *testing.T) {
	stand := recipe.StandSpec{Slots: []recipe.SlotSpec{
		{Number: 1, Width: 2, Paper: "poly", Widths: []float64{1.5, 0.9}}, {Number: 2, Width: 1, Paper: "kraft", Papers: []string{"silk"}}, {Number: 3, Width: 2, Paper: "kraft"},
	}}
	for number, want := range map[int]struct {
		widths []float64
		papers []string
	}{
		1: {[]float64{0.9, 1.5}, []string{"kraft", "poly"}},
		2: {[]float64{1, 2}, []string{"silk"}},
		3: {[]float64{1, 2}, []string{"kraft", "poly"}},
	} {
		widths, papers := stand.MayHang(number)
		if !reflect.DeepEqual(widths, want.widths) || !reflect.DeepEqual(papers, want.papers) {
			t.Errorf("slot %d: %v, %v, want %v", number, widths, papers, want)
		}
	}
	if !reflect.DeepEqual(stand.Slots[0].Widths, []float64{1.5, 0.9}) {
		t.Error("the configuration changed")
	}
}
