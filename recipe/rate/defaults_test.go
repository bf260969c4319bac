package rate_test

import (
	"reflect"
	"strings"
	"testing"

	"lapgate/recipe/quantity"
	"lapgate/recipe/rate"
	"lapgate/recipe/wording"
)

const inch = 0.0254

// defaults are the times of hands that the configuration has where it names none.
func defaults(t *testing.T) (w rate.Work) {
	t.Helper()
	for f, at := range reflect.ValueOf(&w).Elem().Fields() {
		v, err := quantity.Parse(f.Tag.Get("default"), quantity.Dimension(f.Tag.Get("unit")))
		if err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
		at.SetFloat(v)
	}
	return w
}

// What a setting is reads the same in the reference of the configuration and on a sheet.
func TestSettingsReadTheSame(t *testing.T) {
	for f := range reflect.TypeFor[rate.Work]().Fields() {
		key := "work." + strings.ReplaceAll(f.Tag.Get("cfg"), "_", "-")
		if said, _ := wording.English(key); said != f.Tag.Get("doc") {
			t.Errorf("%s is %q, its tag says %q", key, said, f.Tag.Get("doc"))
		}
	}
}
