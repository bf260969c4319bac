package main

import (
	"strings"
	"testing"

	"lapgate/gateway/control"
)

// TestPairSaysWhy: why a machine acts while the engine is silent is told as it is.
func TestPairSaysWhy(t *testing.T) {
	for holder, want := range map[string]string{"a": "it held the lease", "b": "a person moved the line here", "": "a person moved the line here"} {
		said := shownPairOf(&control.PairLine{Machine: "a", Holder: holder, Acts: true, Silent: "no route"}).Why.String()
		if !strings.Contains(said, want) || !strings.Contains(said, "no route") {
			t.Errorf("held by %q it says %q, want %q", holder, said, want)
		}
	}
}
