package caution_test

import (
	"strings"
	"testing"

	"lapgate/recipe/caution"
)

// Each caution is a sentence of its own, and what is none says nothing.
func TestTexts(t *testing.T) {
	seen := map[string]bool{}
	for c := range caution.Count {
		text := c.String()
		if text == "" || seen[text] || !strings.HasSuffix(text, ".") || strings.Contains(text, "\n") {
			t.Errorf("caution %d says %q", c, text)
		}
		seen[text] = true
	}
	if text := caution.Count.String(); text != "" {
		t.Errorf("what is no caution says %q", text)
	}
}
