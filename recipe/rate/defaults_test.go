package rate_test

import (
	"reflect"
	"testing"

	"lapgate/recipe/quantity"
	"lapgate/recipe/rate"
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
