package record_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

func requested(roll, req uint32) record.Request {
	return record.Request{Token: handshake.Token{Boot: 1, Req: req}, Roll: roll, Measured: recipe.Roll{Tag: fmt.Sprintf("R-%d", roll)}}
}

func offered(r record.Request, offer uint16) record.Intent {
	return record.Intent{Token: r.Token, Roll: r.Roll, Offer: record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 1}, Offer: offer}}
}

func judged(i record.Intent, v handshake.Verdict, reason uint16) record.Verdict {
	return record.Verdict{Roll: i.Roll, Offer: i.Offer, Verdict: v, Reason: reason}
}

func left(index, roll, req uint32, kind handshake.OutcomeKind) record.Outcome {
	return record.Outcome{Outcome: handshake.Outcome{Index: index, RollNo: roll, Boot: 1, Req: req, Outcome: kind}}
}

// fold runs records through a history. The text tells each roll when it came
// out: after which record, its number, rounds, outcome or gap.
func fold(t *testing.T, records ...record.Record) (text string, rolls []*record.Roll) {
	t.Helper()
	var h record.History
	var b strings.Builder
	tell := func(when string, list []*record.Roll) {
		for _, r := range list {
			fmt.Fprintf(&b, "%s: roll %d, %d rounds", when, r.Number, len(r.Rounds))
			if r.Outcome != nil {
				fmt.Fprintf(&b, ", %s", r.Outcome.Outcome.Outcome)
			}
			if r.Gap != "" {
				fmt.Fprintf(&b, ", gap: %s", r.Gap)
			}
			b.WriteString("\n")
		}
		rolls = append(rolls, list...)
	}
	for i, r := range records {
		list, err := h.Add(record.Stored{Seq: uint64(i + 1), Record: r})
		if err != nil {
			t.Fatal(err)
		}
		tell(fmt.Sprint(i+1), list)
	}
	tell("end", h.Rest())
	return b.String(), rolls
}

func TestHistory(t *testing.T) {
	one, again, two, three := requested(5, 1), requested(5, 2), requested(6, 3), requested(7, 4)
	i1, i2, i3, i4 := offered(one, 1), offered(again, 2), offered(two, 3), offered(three, 4)
	name := i1.Offer
	for _, c := range []struct {
		name    string
		records []record.Record
		want    string
	}{
		{"a roll", []record.Record{one, i1, record.Commit{Roll: 5, Offer: i1.Offer}, judged(i1, handshake.Accepted, 0), left(1, 5, 1, handshake.Wrapped)},
			"5: roll 5, 1 rounds, wrapped\n"},
		{"measured again", []record.Record{one, i1, record.Void{Roll: 5, Offer: i1.Offer, Evidence: "gone"}, again, i2, judged(i2, handshake.Accepted, 0), left(1, 5, 2, handshake.Wrapped)},
			"7: roll 5, 2 rounds, wrapped\n"},
		{"the outcome comes after the next request", []record.Record{one, i1, judged(i1, handshake.Accepted, 0), two, left(1, 5, 1, handshake.Wrapped), i3, judged(i3, handshake.Accepted, 0), left(2, 6, 3, handshake.Removed)},
			"5: roll 5, 1 rounds, wrapped\n8: roll 6, 1 rounds, removed\n"},
		{"the verdict is learnt after the outcome", []record.Record{one, i1, left(1, 5, 1, handshake.Wrapped), judged(i1, handshake.Accepted, 0)},
			"4: roll 5, 1 rounds, wrapped\n"},
		{"no outcome of the first came", []record.Record{one, i1, judged(i1, handshake.Accepted, 0), two, i3, judged(i3, handshake.Accepted, 0), left(2, 6, 3, handshake.Wrapped)},
			"7: roll 5, 1 rounds\n7: roll 6, 1 rounds, wrapped\n"},
		{"by hand", []record.Record{left(1, 5, 0, handshake.WrappedByHand)}, "1: roll 5, 0 rounds, wrapped by hand\n"},
		{"a gap over it", []record.Record{one, i1, record.Gap{FromRoll: 5, ToRoll: 5, Closed: &name, Cause: "unknown"}},
			"3: roll 5, 1 rounds, gap: unknown\n"},
		{"the controller lost its memory, the roll comes again", []record.Record{one, i1, judged(i1, handshake.Accepted, 0), record.Gap{Boot: 9, Cause: "memory"}, one},
			"4: roll 5, 1 rounds, gap: memory\nend: roll 5, 1 rounds\n"},
		{"the journal ends", []record.Record{one, i1, judged(i1, handshake.HeldVerdict, 0), three, i4},
			"end: roll 5, 1 rounds\nend: roll 7, 1 rounds\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got, _ := fold(t, c.records...); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestHistoryTellsEachRound(t *testing.T) {
	one, again := requested(5, 1), requested(5, 2)
	i1, i2, i3 := offered(one, 1), offered(one, 2), offered(again, 3)
	override := record.Override{Roll: 5, Token: again.Token, By: "kim"}
	shadow := record.Shadow{Token: handshake.Token{Boot: 1, Req: 9}, Roll: 6}
	_, rolls := fold(t, record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: 4, Boot: 1}},
		one, i1, judged(i1, handshake.Rejected, 10), one, i2, judged(i2, handshake.Rejected, 65),
		record.Hold{On: true}, again, override, i3, record.Commit{Roll: 5, Offer: i3.Offer}, judged(i3, handshake.Accepted, 0), left(2, 5, 2, handshake.Wrapped),
		requested(6, 9), shadow)
	if len(rolls) != 3 {
		t.Fatalf("%d rolls", len(rolls))
	}
	r := rolls[1].Rounds
	if len(r) != 3 || rolls[1].Tag != "R-5" || rolls[1].OutcomeAt.Seq != 14 {
		t.Fatalf("roll %+v", rolls[1])
	}
	if b := r[0].Basis; b.Finished != 4 || b.HoldAll || len(b.Rejections) != 0 || b.Previous != nil {
		t.Errorf("first basis %+v", b)
	}
	if b := r[1].Basis; !slices.Equal(b.Rejections, []uint16{10}) {
		t.Errorf("second basis %+v", b)
	}
	if b := r[2].Basis; len(b.Rejections) != 0 || !b.HoldAll {
		t.Errorf("third basis %+v", b)
	}
	if v := r[1].Verdict; v == nil || v.Reason != 65 || r[1].VerdictAt.Seq != 7 || r[1].Committed {
		t.Errorf("second round %+v", r[1])
	}
	if !r[2].Committed || r[2].Override == nil || r[2].Offer.Offer != i3.Offer || r[0].Override != nil {
		t.Errorf("third round %+v", r[2])
	}
	last := rolls[2].Rounds[0]
	if last.Shadow == nil || last.Offer != nil || last.Basis.Previous == nil || last.Basis.Previous.Request.Token != again.Token || last.Basis.Finished != 5 {
		t.Errorf("shadow round %+v", last)
	}
}

// A journal in which outcomes never come is read in little memory.
func TestHistoryHoldsFewRolls(t *testing.T) {
	var h record.History
	out := 0
	for i := range uint32(1000) {
		rolls, err := h.Add(record.Stored{Seq: uint64(i + 1), Record: requested(i+1, i+1)})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rolls {
			if out++; r.Number != uint32(out) {
				t.Fatalf("roll %d comes out as number %d", r.Number, out)
			}
		}
	}
	if kept := len(h.Rest()); out+kept != 1000 || kept > 2*handshake.OutEntries {
		t.Errorf("%d rolls came out, %d are kept", out, kept)
	}
}

func TestHistoryRefusesContradictions(t *testing.T) {
	one := requested(5, 1)
	i := offered(one, 1)
	for name, records := range map[string][]record.Record{
		"an offer without its request":   {requested(5, 2), i},
		"an offer while another is open": {one, i, one, offered(one, 2)},
		"a verdict on no offer":          {one, judged(i, handshake.Accepted, 0)},
		"a shadow without its request":   {record.Shadow{Token: one.Token, Roll: 5}},
		"an epoch taken twice":           {record.Session{Session: handshake.Session{Epoch: 1, Nonce: 1}}, record.Session{Session: handshake.Session{Epoch: 1, Nonce: 2}}},
		"no record":                      {nil},
	} {
		var h record.History
		var err error
		for n, r := range records {
			if _, err = h.Add(record.Stored{Seq: uint64(n + 1), Record: r}); err != nil {
				break
			}
		}
		if want := fmt.Sprintf("record %d: ", len(records)); err == nil || !strings.HasPrefix(err.Error(), want) || !strings.Contains(err.Error(), "journal verify") {
			t.Errorf("%s: got %v, want an error that begins with %q and names a remedy", name, err, want)
		}
	}
}
