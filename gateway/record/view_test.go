package record_test

import (
	"encoding/json"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// The hash of a configuration is spelled one way wherever a record names one.
func TestHashIsSpelledOneWay(t *testing.T) {
	words := make([]uint16, handshake.PayloadWords)
	p := handshake.Payload{Kind: handshake.KindHold, Origin: handshake.Computed}
	if err := p.Encode(words); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		record record.Record
		key    string
	}{
		{record.Intent{Form: handshake.KindHold, Origin: handshake.Computed, ConfigHash: 0x0F2E3D4C, Payload: words}, "config_hash"},
		{record.Config{Hash: 0x0F2E3D4C}, "hash"},
	} {
		v, err := record.ViewOf(record.Stored{Record: c.record}, &recipe.Line{})
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		var shown struct {
			Record map[string]any `json:"record"`
		}
		if err := json.Unmarshal(text, &shown); err != nil {
			t.Fatal(err)
		}
		if got := shown.Record[c.key]; got != "0f2e3d4c" {
			t.Errorf("%s of a %s is %v, want 0f2e3d4c: %s", c.key, c.record.Kind(), got, text)
		}
	}
}

// Where nothing names the kind of a record beside its words, the words do.
func TestTextNamesWhatItIsOf(t *testing.T) {
	for want, r := range map[string]record.Record{
		"configuration 0f2e3d4c, 0 changes":                             record.Config{Hash: 0x0F2E3D4C},
		"configuration 0f2e3d4c, 1 change":                              record.Config{Hash: 0x0F2E3D4C, Changes: make([]record.ConfigChange, 1)},
		"configuration 0f2e3d4c, 2 changes, by kim (user root)":         record.Config{Hash: 0x0F2E3D4C, By: "kim", User: "root", Changes: make([]record.ConfigChange, 2)},
		"hold of every roll on by ola: paper":                           record.Hold{On: true, By: "ola", Reason: "paper"},
		"gap: outcomes from 7 on, roll 3: lost":                         record.Gap{FromIndex: 7, FromRoll: 3, ToRoll: 3, Cause: "lost"},
		"gap: offer 3/00000005/2: unknown":                              record.Gap{Closed: &record.OfferName{Session: handshake.Session{Epoch: 3, Nonce: 5}, Offer: 2}, Cause: "unknown"},
		"gap: outcomes 1 to 4, rolls 2 to 5: held by the other machine": record.Gap{FromIndex: 1, ToIndex: 4, FromRoll: 2, ToRoll: 5, Cause: "held by the other machine"},
		"writing off by kim: look":                                      record.Mode{By: "kim", Reason: "look"},
	} {
		if got := record.SaidOf(r, &recipe.Line{}).String(); got != want {
			t.Errorf("%s tells %q, want %q", r.Kind(), got, want)
		}
	}
}
