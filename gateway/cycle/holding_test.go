package cycle

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
)

// Whatever code holds a roll, the log has code, sentence and remedy without
// anybody asking for them.
func TestEveryHoldIsToldWithItsRemedy(t *testing.T) {
	holds := 0
	for _, c := range append(check.Codes(), Codes()...) {
		if c.Severity != recipe.Hold {
			continue
		}
		holds++
		m := New(Config{Line: testLine(), Armed: true})
		sentence := "what was found of " + string(c.Code)
		m.tellHeld(&record.Offer{Roll: 7, Form: handshake.KindHold, Findings: []recipe.Finding{
			{Code: check.ScannerMissing, Severity: recipe.Warn, Text: "a warning is no reason"},
			{Code: c.Code, Severity: recipe.Hold, Text: sentence, Where: "mill.yaml:7"},
		}})
		n, ok := m.out[0].(Notify)
		if !ok || n.Code != noteHeld || !strings.Contains(n.Text, sentence) {
			t.Fatalf("%s: told %+v", c.Code, m.out[0])
		}
		told := map[string]any{}
		for _, f := range n.Fields {
			told[f.Key] = f.Value
		}
		if told["hold"] != c.Code || fmt.Sprint(told["meaning"]) != c.Meaning().String() || told["where"] != "mill.yaml:7" {
			t.Errorf("%s: told as %v", c.Code, told)
		}
		if remedy := fmt.Sprint(told["remedy"]); len(remedy) < 20 || !strings.HasSuffix(remedy, ".") {
			t.Errorf("%s: the remedy is %q, want a sentence", c.Code, remedy)
		}
	}
	if holds < 60 {
		t.Errorf("%d codes hold a roll: this test looks at too few", holds)
	}
}

// A hold of which nothing but its number is known still says what to do.
func TestHoldWithoutFindings(t *testing.T) {
	h := HoldingOf(nil, nil, handshake.HoldSupply, nil)
	if h.Meaning.String() != "supply" || h.Do.IsZero() {
		t.Errorf("told as %+v", h)
	}
}

// Where no wrapper fits, the remedy names the slot and the width.
func TestRemedyNamesTheSlot(t *testing.T) {
	line := testLine()
	line.Stand.Slots = slices.Clone(line.Stand.Slots) // a case changes one
	stand := recipe.Stand{Offline: true, Permissives: 0x3F, Mode: 1, State: 6}
	for i := range stand.Ready {
		stand.Ready[i], stand.Outer[i] = true, 1
	}
	of := func(width float64, change func(*recipe.Stand)) Holding {
		s := stand
		change(&s)
		r := RequestOf(recipe.Roll{Tag: "A", Diameter: 1.2, Width: width, WidthMedian: width, Grade: 7, Core: 3, Quality: 1}, s)
		d := Decide(line, &r, &record.Basis{}, nil)
		return HoldingOf(line, &r, d.Payload.HoldReason, d.Findings)
	}
	for _, c := range []struct {
		name  string
		width float64
		stand func(*recipe.Stand)
		want  string
	}{
		{"none that wide", 2.5, func(*recipe.Stand) {}, `Hang kraft, 2.`},
		{"not ready", 1.6, func(s *recipe.Stand) { s.Ready[1] = false }, "Make slot 2 ready, then press retry at the controller."},
		{"of another width being hung", 2.5, func(*recipe.Stand) { line.Stand.Slots[2].Unusable = recipe.BeingHung }, "End the work at slot 3 and make it ready, then press retry"},
		{"too little left", 1.6, func(s *recipe.Stand) { s.Outer[1] = 0.08 }, "Hang a new wrapper roll, 1.85 m wide, in slot 2, telling it first with lapgate hang --slot 2, then press retry"},
	} {
		got := of(c.width, c.stand)
		if !strings.HasPrefix(got.Do.String(), c.want) {
			t.Errorf("%s: %q, want %q…", c.name, got.Do, c.want)
		}
		if strings.Contains(got.Text.String(), "Hang") || strings.Contains(got.Text.String(), "ready.") || strings.Contains(got.Text.String(), "lapgate") {
			t.Errorf("%s: the reason says again what to do: %q", c.name, got.Text)
		}
	}
}
