package present_test

import (
	"testing"

	"lapgate/gateway/present"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

func said(text string) wording.Phrase { return wording.Phrase{Said: wording.Plain(text)} }

// phrases has sentences of the table in every place where one may stand.
type phrases struct {
	Proof wording.Phrase   `json:"proof" label:""`
	None  wording.Phrase   `json:"none,omitzero" label:""`
	Notes []wording.Phrase `json:"notes,omitempty" label:""`
	Rows  []phraseRow      `json:"rows"`
}

type phraseRow struct {
	What  wording.Phrase `json:"what"`
	Below wording.Phrase `json:"below,omitzero" print:"below"`
}

// What others wrote into a sentence obeys no terminal, wherever the sentence stands, and one
// that says nothing takes no line.
func TestPhrasesAreClean(t *testing.T) {
	got := printTo(t, present.Form{}, phrases{
		Proof: said("best\x1b[2J"), Notes: []wording.Phrase{said("a\x07b")},
		Rows: []phraseRow{{said("held\x1b[1m"), said("below\x00")}, {What: said("gone")}},
	})
	want := "best\\x1b[2J\na\\ab\n\nrows\nwhat\nheld\\x1b[1m\n    below\\x00\ngone\n"
	if got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// A step tells its formula and what decided it where it has them, and no empty line where
// it has none.
func TestStepsTellWhatTheyHave(t *testing.T) {
	got := printTo(t, present.Form{}, present.Steps([]recipe.Step{
		{Title: said("feed length"), Formula: said("pi N D"), Decided: said("layers"), Largest: "diameter"}, {Title: said("slot")},
	}, &recipe.Line{}))
	want := "step\nfeed length\n    pi N D\n    largest uncertainty: diameter\n    decided by: layers\nslot\n"
	if got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
