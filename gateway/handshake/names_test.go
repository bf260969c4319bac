package handshake_test

import (
	"encoding/json"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
)

// Every number of the handshake is spelled in JSON as its words joined by _, and
// is read back from that and from the number, which older journals hold.
func TestWordsInJSON(t *testing.T) {
	type words struct {
		Phase   handshake.Phase       `json:"-"`
		Verdict handshake.Verdict     `json:"verdict"`
		Kind    handshake.Kind        `json:"kind"`
		Origin  handshake.Origin      `json:"origin"`
		Outcome handshake.OutcomeKind `json:"outcome"`
		Hold    handshake.HoldReason  `json:"hold"`
	}
	for _, c := range []struct {
		want          words
		spelled, code string
	}{
		{
			words{Verdict: handshake.Accepted, Kind: handshake.KindRecipe, Origin: handshake.Computed, Outcome: handshake.WrappedByHand, Hold: handshake.HoldDimensionLimits},
			`{"verdict":"accepted","kind":"recipe","origin":"computed","outcome":"wrapped_by_hand","hold":"dimension_outside_limits"}`,
			`{"verdict":1,"kind":1,"origin":1,"outcome":2,"hold":2}`,
		},
		{
			words{},
			`{"verdict":"none","kind":"kind_0","origin":"origin_0","outcome":"none","hold":"none"}`,
			`{"verdict":0,"kind":0,"origin":0,"outcome":0,"hold":0}`,
		},
		{
			words{Verdict: 9, Kind: 65535, Origin: 7, Outcome: 6, Hold: 13},
			`{"verdict":"verdict_9","kind":"kind_65535","origin":"origin_7","outcome":"outcome_6","hold":"reason_13"}`,
			`{"verdict":9,"kind":65535,"origin":7,"outcome":6,"hold":13}`,
		},
	} {
		text, err := json.Marshal(c.want)
		if err != nil || string(text) != c.spelled {
			t.Errorf("got %s, %v, want %s", text, err, c.spelled)
		}
		for _, text := range []string{c.spelled, c.code} {
			var got words
			if err := json.Unmarshal([]byte(text), &got); err != nil || got != c.want {
				t.Errorf("%s: got %+v, %v, want %+v", text, got, err, c.want)
			}
		}
	}
	for _, text := range []string{`"melted"`, `65536`, `"verdict_x"`, `""`, `true`} {
		var v handshake.Verdict
		if err := json.Unmarshal([]byte(text), &v); err == nil || !strings.Contains(err.Error(), "verdict: got ") {
			t.Errorf("%s: got %v, %v", text, v, err)
		}
	}
}

// A reason of a rejection is told in words with its number, never by the number
// alone; the words are those of the document's table.
func TestVerdictText(t *testing.T) {
	for _, c := range []struct {
		verdict       handshake.Verdict
		reason        uint16
		text, spelled string
	}{
		{handshake.Accepted, 0, "accepted", "none"},
		{handshake.HeldVerdict, 0, "held", "none"},
		{handshake.HeldVerdict, 3, "held: dimension not plausible (3)", "dimension_not_plausible"},
		{handshake.Rejected, handshake.RejectDamaged, "rejected: payload damaged (10)", "payload_damaged"},
		{handshake.Rejected, handshake.RejectWrongRoll, "rejected: wrong roll data (12)", "wrong_roll_data"},
		{handshake.Rejected, handshake.RejectPermissive + 3, "rejected: permissive 3 off (23)", "permissive_3_off"},
		{handshake.Rejected, handshake.RejectPermissive + 32, "rejected: reason 52 (52)", "reason_52"},
		{handshake.Rejected, handshake.RejectLimit, "rejected: slot outside controller limit (60)", "slot_outside_controller_limit"},
		{handshake.Rejected, handshake.RejectLimit + 2, "rejected: feed length outside controller limit (62)", "feed_length_outside_controller_limit"},
		{handshake.Rejected, 5000, "rejected: reason 5000 (5000)", "reason_5000"},
	} {
		if got := handshake.VerdictText(c.verdict, c.reason); got != c.text {
			t.Errorf("got %q, want %q", got, c.text)
		}
		if got := handshake.VerdictReason(c.verdict, c.reason); got != c.spelled {
			t.Errorf("got %q, want %q", got, c.spelled)
		}
	}
	for _, r := range handshake.RejectReasons() {
		if r.Words() == "" {
			t.Errorf("reason %d has no words", r)
		}
	}
}
