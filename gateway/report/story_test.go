package report_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/recipetest"
	"lapgate/recipe/reel"
)

// What a person says of a roll afterwards stands with the roll, such as that it was
// weighed again; what is said of another record does not.
func TestStoryTellsCorrections(t *testing.T) {
	var fold record.Recent
	for i, r := range []record.Record{
		record.Request{Token: handshake.Token{Boot: 1, Req: 7}, Roll: 7},
		record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: 7, Boot: 1, Req: 7, Outcome: handshake.Wrapped, Scale: 8120}},
		record.Correction{Seq: 2, By: "Kim Berg", Reason: "weighed again: 790 kg"},
		record.Correction{Seq: 9, By: "Kim Berg", Reason: "another roll"},
	} {
		if err := fold.Add(record.Stored{Seq: uint64(i + 1), At: time.Unix(int64(i), 0), Record: r}); err != nil {
			t.Fatal(err)
		}
	}
	n := fold.Newest()
	s, err := report.StoryOf(report.Told{Roll: n.Find(7), Newest: n})
	if err != nil {
		t.Fatal(err)
	}
	var text []string
	for _, e := range s.Exchange {
		text = append(text, e.What.String())
	}
	got := strings.Join(text, "; ")
	if !strings.HasSuffix(got, "the roll left: wrapped; Kim Berg corrected how it left or what it weighed, record 2: weighed again: 790 kg") {
		t.Errorf("the roll tells %s", got)
	}
}

// A roll that the other machine of a pair holds is not lost: its records are to arrive.
func TestStoryOfRollNotArrived(t *testing.T) {
	for cause, want := range map[string]string{record.HeldByOther: "not yet arrived", "overwritten in the ring before they were read": "not known"} {
		var h record.History
		var rolls []*record.Roll
		for i, r := range []record.Record{
			record.Request{Token: handshake.Token{Boot: 1, Req: 7}, Roll: 7},
			record.Gap{FromRoll: 7, ToRoll: 7, Cause: cause},
		} {
			done, err := h.Add(record.Stored{Seq: uint64(i + 1), At: time.Unix(int64(i), 0), Record: r})
			if err != nil {
				t.Fatal(err)
			}
			rolls = append(rolls, done...)
		}
		s, err := report.StoryOf(report.Told{Roll: rolls[0], Newest: &record.Newest{}})
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(s.Outcome, want) {
			t.Errorf("%s: the outcome is told as %q, want %q", cause, s.Outcome, want)
		}
	}
}

// A roll is told by which configuration it was computed again, what was changed before it,
// and whether a wrapper roll holds few of its like.
func TestStoryIsComputedAgain(t *testing.T) {
	line := recipetest.Line()
	token := handshake.Token{Boot: 1, Req: 7}
	p := handshake.Payload{Boot: 1, Req: 7, RollNo: 7, Kind: handshake.KindRecipe, Origin: handshake.Computed, Width: 10_000, Slot: 2, WrapperWidth: 12_700, Groups: 1 << recipe.GroupStand}
	words := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(words); err != nil {
		t.Fatal(err)
	}
	var changes []record.ConfigChange
	for i := range 9 {
		changes = append(changes, record.ConfigChange{Key: fmt.Sprintf("specs.%d.layers", i), Old: "3", New: "4"})
	}
	request := record.Request{Token: token, Roll: 7, Measured: recipe.Roll{Diameter: 1, Width: 1, Grade: 1, Core: 1}}
	c, ok := recipe.CandidateOf(line, &request.Measured, &request.Stand, 2)
	if !ok {
		t.Fatal("the slot is not known")
	}
	for i := range request.Stand.Counted {
		request.Stand.Counted[i] = reel.Estimate{Known: true, Length: 3.5*c.Need + line.Stand.TailReserve}
		request.Stand.Ready[i] = true
	}
	var fold record.Recent
	for i, r := range []record.Record{
		record.Config{Hash: 5, By: "kim", Changes: changes}, request,
		record.Intent{Token: token, Roll: 7, Offer: record.OfferName{Offer: 1}, Form: handshake.KindRecipe, Origin: handshake.Computed, Payload: words, ConfigHash: 5},
		record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: 7, Boot: 1, Req: 7, Outcome: handshake.Wrapped}},
	} {
		if err := fold.Add(record.Stored{Seq: uint64(i + 1), At: time.Unix(int64(i), 0), Record: r}); err != nil {
			t.Fatal(err)
		}
	}
	n := fold.Newest()
	for hash, want := range map[uint32]string{5: "which is the one of then", 6: "another configuration than that of then, which was 00000005"} {
		s, err := report.StoryOf(report.Told{Roll: n.Find(7), Newest: n, Line: line, Hash: hash})
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasSuffix(s.Basis, want) {
			t.Errorf("computed again by %q, want %q", s.Basis, want)
		}
		if len(s.Before) != 7 { // the act, and six of its changes
			t.Errorf("%d things before it: %v", len(s.Before), s.Before)
		}
	}
	more := *report.CandidatesOf(nil, line, &request.Measured, &request.Stand, 2)[1].More
	for warn, want := range map[int]bool{more: true, more - 1: false} {
		line.Stand.WarnRolls = warn
		if got := report.CandidatesOf(nil, line, &request.Measured, &request.Stand, 2)[1]; got.Few != want {
			t.Errorf("%d rolls left are few where %d are warned of: %v", more, warn, got.Few)
		}
	}
}
