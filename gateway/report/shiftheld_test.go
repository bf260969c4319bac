package report_test

import (
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
)

// A gap over what the other machine holds is of the report that its rolls may be of,
// however late this machine recorded it; once they have arrived, or records of later, it is
// not.
func TestGapRecordedAfterTheReport(t *testing.T) {
	six := time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC)
	at := func(minutes int) time.Time { return six.Add(time.Duration(minutes) * time.Minute) }
	outcome := func(n uint32) record.Outcome {
		return record.Outcome{Outcome: handshake.Outcome{Index: n, RollNo: n, Boot: 1, Outcome: handshake.Wrapped}}
	}
	type row struct {
		journal int
		minute  int
		record  record.Record
	}
	session := func(epoch uint32) record.Session {
		return record.Session{Session: handshake.Session{Epoch: epoch, Nonce: 1}, Boot: 1}
	}
	gap := record.Gap{FromIndex: 2, ToIndex: 3, FromRoll: 2, ToRoll: 3, Cause: record.HeldByOther}
	begin := []row{{1, -90, session(1)}, {1, -80, outcome(1)}, {0, -70, session(2)}, {0, -60, record.Gap{FromIndex: 1, ToIndex: 1, FromRoll: 1, ToRoll: 1, Cause: record.HeldByOther}}}
	cases := []struct {
		name   string
		rows   []row
		listed bool
		awaits bool
	}{
		{"nothing has arrived", []row{{1, 5, session(3)}, {1, 5, gap}, {1, 9, outcome(4)}}, true, true},
		{"one of two has arrived", []row{{0, -10, outcome(2)}, {1, 5, session(3)}, {1, 5, gap}}, true, true},
		{"all has arrived", []row{{0, -10, outcome(2)}, {0, -5, outcome(3)}, {1, 5, session(3)}, {1, 5, gap}}, false, false},
		{"what has arrived is of later", []row{{0, -10, outcome(2)}, {0, 1, record.Hold{On: true, By: "kim", Reason: "x"}}, {1, 5, session(3)}, {1, 5, gap}}, false, false},
		{"this machine served the line at the end", []row{{1, 1, session(3)}, {1, 1, record.Gap{FromIndex: 2, ToIndex: 2, FromRoll: 2, ToRoll: 2, Cause: record.HeldByOther}},
			{1, 2, outcome(3)}, {1, 50, session(4)}, {1, 50, record.Gap{FromIndex: 4, ToIndex: 4, FromRoll: 4, ToRoll: 4, Cause: record.HeldByOther}}}, true, true},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := report.NewShift(report.Of{Line: "north", Journals: []report.Journal{{Machine: "a"}, {Machine: "b"}}, Units: &recipe.Line{}, Arriving: true}, at(-120), six)
			var seq [2]uint64
			for _, r := range append(begin[:len(begin):len(begin)], c.rows...) {
				seq[r.journal]++
				if err := s.Add(record.Stored{Seq: seq[r.journal], At: at(r.minute), Journal: r.journal, Record: r.record}); err != nil {
					t.Fatal(err)
				}
			}
			awaited := len(s.Awaited()) > 0
			if err := s.Finish(); err != nil {
				t.Fatal(err)
			}
			var late []string
			for _, g := range s.Gaps {
				if !g.At.Before(six) {
					late = append(late, g.What.String())
				}
			}
			if (len(late) == 1) != c.listed || awaited != c.awaits || c.listed && !strings.Contains(late[0], "not yet arrived") {
				t.Errorf("listed are %q, awaited: %t", late, awaited)
			}
			needs := false
			for _, n := range s.Needs() {
				needs = needs || strings.Contains(n.String(), "journal of the other machine alone")
			}
			if needs != c.awaits {
				t.Errorf("people are told: %t, want %t", needs, c.awaits)
			}
		})
	}
}
