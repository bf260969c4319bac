package cycle

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// pressed is a roll that was wrapped by hand and pressed at a setpoint of
// 176.7 °C with platens of some temperature.
func pressed(number uint32, platen float64) []record.Record {
	return []record.Record{
		record.Request{Token: handshake.Token{Boot: 1, Req: number}, Roll: number, Stand: recipe.Stand{Platen: platen}},
		record.Outcome{Outcome: handshake.Outcome{Index: number, RollNo: number, Boot: 1, Req: number, Outcome: handshake.WrappedByHand, Temperature: 1767}},
	}
}

func platensOf(rolls int) float64 {
	if rolls > 10 {
		return 160
	}
	return 176
}

// notified are the codes of the actions, and all that is no notice.
func notified(out []Action) (codes []string, others []Action) {
	for _, a := range out {
		if n, ok := a.(Notify); ok {
			codes = append(codes, n.Code)
		} else {
			others = append(others, a)
		}
	}
	return codes, others
}

// A fault of the process is told once when it begins and once when it ends,
// and nothing else is done about it.
func TestFaultOfTheProcess(t *testing.T) {
	m := New(Config{Line: testLine(), Times: testTimes})
	var told []string
	number := uint32(0)
	take := func(platen float64) {
		number++
		for _, r := range pressed(number, platen) {
			m.out = m.out[:0]
			m.now.Wall = time.Unix(int64(number)*90, 0)
			m.journal(r)
			codes, others := notified(m.out)
			told = append(told, codes...)
			if _, ok := others[0].(Append); !ok || len(others) != 1 {
				t.Fatalf("roll %d: %v, want the record alone", number, others)
			}
		}
	}
	for n := range 30 {
		take(platensOf(n))
	}
	if !slices.Equal(told, []string{"platen-cold"}) || !slices.Equal(m.Status().Conditions, []string{"platen-cold"}) {
		t.Fatalf("told %v, conditions %v", told, m.Status().Conditions)
	}
	for range 30 {
		take(176)
	}
	if !slices.Equal(told, []string{"platen-cold", "platen-cold-ended"}) || m.Status().Conditions != nil {
		t.Errorf("told %v, conditions %v", told, m.Status().Conditions)
	}
}

// What stands in the journal at a start is told with the first step, with its
// evidence.
func TestFaultOfTheProcessOverAStart(t *testing.T) {
	m := New(Config{Line: testLine(), Times: testTimes})
	for n := range uint32(30) {
		for _, r := range pressed(n+1, platensOf(int(n))) {
			if err := m.Recover(record.Stored{At: time.Unix(int64(n)*90, 0), Record: r}); err != nil {
				t.Fatal(err)
			}
		}
	}
	for step, want := range [][]string{{"platen-cold"}, nil} {
		out := m.Step(Moment{}, Tick{})
		codes, _ := notified(out)
		if !slices.Equal(codes, want) {
			t.Fatalf("step %d told %v, want %v", step, codes, want)
		}
		if want == nil {
			continue
		}
		n := out[0].(Notify)
		keys := map[string]any{}
		for _, f := range n.Fields {
			keys[f.Key] = f.Value
		}
		if keys["first_roll"] != uint32(11) || keys["platen_c"] != 160.0 || keys["remedy"] == "" || n.Level != Warning || !strings.Contains(n.Text, "Rolls 11 to") {
			t.Errorf("notice %+v", n)
		}
	}
}

// Each code of a fault of the process is a notice with its end.
func TestProcessNotices(t *testing.T) {
	for _, c := range process.Codes() {
		n, ok := noticeOf(string(c))
		if !ok || n.meaning().String() != c.Meaning().String() || n.remedy().String() != c.Remedy().String() || n.endsBy != string(c)+processEnd {
			t.Errorf("%s: %+v", c, n)
		}
	}
}
