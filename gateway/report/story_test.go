package report_test

import (
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
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
