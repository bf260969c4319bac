package record_test

import (
	"slices"
	"testing"
	"time"

	"lapgate/gateway/record"
)

// TestTell: what people did is told with both of their names, each changed key for
// itself, and what the line made by itself is not told.
func TestTell(t *testing.T) {
	var got []string
	for i, r := range append(sampleRecords(),
		record.Config{Hash: 0x1F2E3D4C, Start: true, By: "lapgate", File: "mill.yaml"},
		record.Config{Hash: 0x1F2E3D4C, By: "kim", User: "kim", File: "mill.yaml", Changes: []record.ConfigChange{
			{Key: "specs.0.layers", Old: "3", New: "4", Where: "mill.yaml:61"}, {Key: "specs.1.name", Old: "export"},
		}},
		record.Hold{By: "ola", Reason: "clean"}, record.Mode{By: "lapgate", Reason: "the controller is another"}, record.Mode{By: "ola"},
	) {
		for _, told := range record.Tell(record.Stored{Seq: uint64(i + 1), At: time.Now(), Record: r}) {
			if told.Seq != uint64(i+1) || told.Kind != r.Kind() || told.At.IsZero() {
				t.Errorf("got %+v", told)
			}
			got = append(got, told.What.String())
		}
	}
	want := []string{
		"4711 (user kim) had this machine take the line over, although the controller showed a live gateway: both the engine and the other machine are off",
		"4711 (user kim) said that record 17 is wrong: it was Ola who held the line",
		"ola (user shift) held every roll: paper",
		"kim chose setpoints for roll 1190: flat spot",
		"kim answered for roll 1190, narrow-roll: tips when it leans by 4.95 degrees",
		"kim (user ola) told of slot 2: hangs",
		"kim (user ola) counted 120 heads of board-poly",
		"kim (user ola) said that header is worked manual",
		"kim (user shift) armed the line: checked",
		"kim (user ola) changed a from 1 to 2, mill.yaml:1, found at a start",
		"kim accepted the journal: restored",
		"kim registered the journal anew with the engine: put back from the backup of Monday",
		"kim on alarm certificate-ends/own: shelved, ordered",
		"lapgate began to serve the line with mill.yaml 1f2e3d4c, nothing changed",
		"kim changed specs.0.layers from 3 to 4, mill.yaml:61",
		"kim changed specs.1.name from export to nothing",
		"ola ended the hold: clean",
		"lapgate put the line into shadow: the controller is another",
		"ola put the line into shadow",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%q\nwant\n%q", got, want)
	}
}

// What was converted to another unit is told with few figures, where it still differs,
// and what was written is told as it was.
func TestWordsOfAChange(t *testing.T) {
	for _, c := range []struct{ old, now, wantOld, wantNow string }{
		{"open", "38.91506728827912 lb/1000ft2", "open", "38.9151 lb/1000ft2"},
		{"0.00059055118110236215 in", "0.0006 in", "0.000590551 in", "0.0006 in"},
		{"0.9144 m..1.3716000000000002 m", "1 m..2 m", "0.9144 m..1.3716 m", "1 m..2 m"},
		{"12.345678901 in", "12.345678902 in", "12.345678901 in", "12.345678902 in"},
		{"10.11.12.13:502", "plc.example:502", "10.11.12.13:502", "plc.example:502"},
		{"2000", "1602.25", "2000", "1602.25"},
	} {
		change := record.ConfigChange{Old: c.old, New: c.now}
		if old, now := change.Words(); old != c.wantOld || now != c.wantNow {
			t.Errorf("%q to %q is told as %q to %q, want %q to %q", c.old, c.now, old, now, c.wantOld, c.wantNow)
		}
	}
}
