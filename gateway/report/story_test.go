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
