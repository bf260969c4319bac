package quantity_test

import (
	"testing"

	"lapgate/recipe/quantity"
)

func TestNearest(t *testing.T) {
	words := []string{"diameter", "width", "grade"}
	for word, want := range map[string]string{
		"diametre": "diameter", "Widht": "width", "grad": "grade", "colour": "", "": "", "diameter": "diameter",
	} {
		if got := quantity.Nearest(word, words); got != want {
			t.Errorf("nearest to %q is %q, want %q", word, got, want)
		}
	}
}
