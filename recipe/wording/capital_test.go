package wording_test

import (
	"testing"

	"lapgate/recipe/wording"
)

func TestCapital(t *testing.T) {
	for text, want := range map[string]string{"": "", "roll 7": "Roll 7", "Roll": "Roll", "überhang": "Überhang", "7 rolls": "7 rolls", "\xff": "\xff"} {
		if got := wording.Capital(text); got != want {
			t.Errorf("%q begins as %q, want %q", text, got, want)
		}
	}
}
