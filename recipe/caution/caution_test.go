package caution_test

import (
	"strings"
	"testing"

	"lapgate/recipe/caution"
)

// Each caution is a sentence of its own, and what is none says nothing.
func TestTexts(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range caution.All() {
		text := c.String()
		if text == "" || seen[text] || !strings.HasSuffix(text, ".") || strings.Contains(text, "\n") {
			t.Errorf("caution %d says %q", c, text)
		}
		seen[text] = true
	}
	if last := caution.Caution(len(seen)); last.String() != "" {
		t.Errorf("All leaves out caution %d: %s", last, last)
	}
}
