package cycle

import (
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/wording"
	"lapgate/recipe/wording/wordingtest"
)

// textOf is a notice as a log has it in a language.
func textOf(w *wording.Words, n *Notify) string {
	parts := []string{w.Text(n.Said)}
	for _, f := range n.Fields {
		if said, ok := f.Value.(wording.Said); ok {
			parts = append(parts, f.Key+"="+w.Text(said))
		}
	}
	return strings.Join(parts, "\n")
}

// What the log says of a hold is in the language of the mill, whatever code holds the
// roll: the sentence, what it means, what is to be done and the caution.
func TestHoldsAreLoggedInGerman(t *testing.T) {
	w, holds := wordingtest.German(t), 0
	for _, c := range append(check.Codes(), Codes()...) {
		if c.Severity != recipe.Hold {
			continue
		}
		holds++
		m := New(Config{Line: testLine(), Armed: true})
		said := wording.Say("finding." + string(c.Code))
		english, _ := wording.English(said.Key)
		for _, name := range wording.Places(english) {
			said.Args = append(said.Args, wording.Arg{Name: name, Text: "7.25"})
		}
		m.tellHeld(&record.Offer{Roll: 7, Form: handshake.KindHold, Findings: []recipe.Finding{recipe.Finding{Code: c.Code, Severity: recipe.Hold}.Saying(said)}})
		n, ok := m.out[0].(Notify)
		if !ok {
			t.Fatalf("%s: told %+v", c.Code, m.out[0])
		}
		text := textOf(w, &n)
		if keys := wordingtest.EnglishIn(w, text); len(keys) > 0 {
			t.Errorf("%s: the log has the English of %v:\n%s", c.Code, keys, text)
		}
		if !strings.HasPrefix(text, "Rolle 7 ist angehalten: ") || !strings.Contains(text, "remedy=") || !strings.Contains(text, "meaning="+w.Text(c.Meaning())) {
			t.Errorf("%s: logged as\n%s", c.Code, text)
		}
	}
	if holds < 60 {
		t.Errorf("%d codes hold a roll: this test looks at too few", holds)
	}
}

// Each notice has its sentence and its remedy in German.
func TestNoticesInGerman(t *testing.T) {
	w := wordingtest.German(t)
	for _, n := range notices {
		text := w.Text(n.meaning()) + "\n" + w.Text(n.remedy())
		if keys := wordingtest.EnglishIn(w, text); len(keys) > 0 {
			t.Errorf("%s: %q has the English of %v", n.code, text, keys)
		}
	}
}
