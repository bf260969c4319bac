package acceptance_test

import (
	"fmt"
	"testing"
	"time"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// offered are the records of a request that was answered by an offer, and of the verdict.
func offered(t *testing.T, req uint32, kind handshake.Kind, v handshake.Verdict, findings ...recipe.Finding) []record.Record {
	t.Helper()
	token, name := handshake.Token{Boot: 1, Req: req}, record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 7}, Offer: uint16(req)}
	p := handshake.Payload{Boot: 1, Req: req, RollNo: 7, Kind: kind, Origin: handshake.Computed, Layers: 300, Overlap: 2000, Groups: 1 << recipe.GroupWrap}
	if kind == handshake.KindHold {
		p.HoldReason = handshake.HoldMeasurement
	}
	words := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(words); err != nil {
		t.Fatal(err)
	}
	return []record.Record{
		record.Request{Token: token, Roll: 7, Measured: recipe.Roll{Diameter: 1, Width: 1}},
		record.Intent{Token: token, Roll: 7, Offer: name, Form: kind, HoldReason: p.HoldReason, Origin: handshake.Computed, Payload: words, Findings: findings},
		record.Commit{Roll: 7, Offer: name}, record.Verdict{Roll: 7, Offer: name, Verdict: v},
	}
}

// seen is what the records of roll 7 tell of it.
func seen(t *testing.T, records ...[]record.Record) acceptance.Seen {
	t.Helper()
	var h record.History
	var rolls []*record.Roll
	seq := uint64(0)
	for _, list := range records {
		for _, r := range list {
			seq++
			done, err := h.Add(record.Stored{Seq: seq, At: time.Unix(int64(seq), 0), Record: r})
			if err != nil {
				t.Fatal(err)
			}
			rolls = append(rolls, done...)
		}
	}
	s, err := acceptance.See("R-7", append(rolls, h.Rest()...))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// What the journal tells of a roll: each answer that the controller took, equal ones that
// follow each other once, and what the line used otherwise than told.
func TestSee(t *testing.T) {
	stale := []recipe.Finding{{Code: "near-limit", Severity: recipe.Warn}, {Code: "scan-stale", Severity: recipe.Hold}, {Code: "no-slot", Severity: recipe.Hold}}
	left := func(kind handshake.OutcomeKind, req uint32, layers uint16) []record.Record {
		return []record.Record{record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: 7, Boot: 1, Req: req, Outcome: kind, Layers: layers}}}
	}
	for name, c := range map[string]struct {
		seen      acceptance.Seen
		want      string
		otherwise string
	}{
		"held twice, then a go": {seen(t, offered(t, 1, handshake.KindHold, handshake.HeldVerdict, stale...), offered(t, 2, handshake.KindHold, handshake.HeldVerdict, stale...),
			offered(t, 3, handshake.KindRecipe, handshake.Accepted), left(handshake.Wrapped, 3, 300)), "hold scan-stale, then go; wrapped", "[]"},
		"refused":         {seen(t, offered(t, 1, handshake.KindRecipe, handshake.Rejected), left(handshake.Removed, 1, 0)), "no offer was taken; removed", "[]"},
		"fewer layers":    {seen(t, offered(t, 1, handshake.KindRecipe, handshake.Accepted), left(handshake.Wrapped, 1, 200)), "go; wrapped", "[layers less]"},
		"more layers":     {seen(t, offered(t, 1, handshake.KindRecipe, handshake.Accepted), left(handshake.Wrapped, 1, 400)), "go; wrapped", "[layers more]"},
		"wrapped by hand": {seen(t, offered(t, 1, handshake.KindRecipe, handshake.Accepted), left(handshake.WrappedByHand, 1, 200)), "go; wrapped by hand", "[]"},
	} {
		if got := c.seen.String(); got != c.want || fmt.Sprint(c.seen.Otherwise) != c.otherwise {
			t.Errorf("%s: seen as %q, otherwise %v, want %q, %s", name, got, c.seen.Otherwise, c.want, c.otherwise)
		}
	}
}
