package record_test

import (
	"bytes"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/reel"
)

// sampleRecords has one record of each kind with every field set.
func sampleRecords() []record.Record {
	name := record.OfferName{handshake.Session{Epoch: 7, Nonce: 0x9E3779B9}, 3}
	token := handshake.Token{Boot: 41, Req: 1205}
	flags := handshake.AllPermissives | handshake.DimensionsValid
	found := []recipe.Finding{{Code: "scan-stale", Severity: recipe.Hold, Field: "age_s", Got: "130 s", Limit: "120 s", Where: "line.yaml:7", Text: "measure again"}}
	return []record.Record{
		record.Session{Session: name.Session, Boot: 41, Floor: 6, Cause: "start"},
		record.Session{Session: name.Session, Boot: 41, Floor: 6, Cause: "lease", Other: &record.JournalHead{Machine: "b", Journal: "00ff", Seq: 4711, Hash: "11aa"}},
		record.Request{Token: token, Roll: 1190, Measured: recipe.Roll{Number: 1190, Tag: "R2026-001190", Diameter: 1.2504, Width: 1.602,
			Order: &recipe.Order{ID: "A-7", Width: 1.6}}, Stand: recipe.Stand{Ready: [6]bool{true, true}, Outer: [6]float64{0.9}, Counted: [6]reel.Estimate{{Length: 812.5, U: 9.25, Known: true}}, Platen: 176.7},
			Diameters: []uint16{12504, 12505}, Widths: []uint16{16020}, Permissives: 0x3F,
			Flags: &flags, Diameter: 12504, Width: 16020, NotFinite: []string{"taper_m"}, Hung: []record.HungRoll{{Slot: 1, Width: 1.6, Paper: "kraft"}}},
		record.Intent{Token: token, Roll: 1190, Tag: "R2026-001190", Offer: name, Form: handshake.KindHold, HoldReason: handshake.HoldMeasurement,
			Origin: handshake.Computed, By: "kim", Reason: "looked at", ConfigHash: 0x1F2E3D4C, Payload: []uint16{0x5041, 1}, Findings: found, Heads: []record.HeadsOf{{Material: "board-poly", Diameter: 1.2}}},
		record.Commit{Roll: 1190, Offer: name},
		record.Verdict{Roll: 1190, Offer: name, Verdict: handshake.Rejected, Reason: 21, Settled: true},
		record.Void{Roll: 1190, Offer: name, Evidence: "settled: another offer"},
		record.Outcome{Outcome: handshake.Outcome{Index: 1189, RollNo: 1190, Boot: 41, Session: name.Session, Offer: 3, Outcome: handshake.Wrapped, Scale: 15712}, Words: []uint16{0x4F55, 1},
			Weighing: &record.Weighing{Verdict: "wrong", Reading: 1571.2, Gross: 1490.5, Delta: 80.7, Text: "weigh again"}},
		record.Gap{FromIndex: 1, ToIndex: 4, FromRoll: 2, ToRoll: 5, Closed: &name, Boot: 217000000, Cause: "controller memory lost"},
		record.Takeover{By: "4711", User: "kim", Reason: "both the engine and the other machine are off", Alive: true},
		record.Correction{Seq: 17, By: "4711", User: "kim", Reason: "it was Ola who held the line"},
		record.Hold{On: true, By: "ola", User: "shift", Reason: "paper"},
		record.Override{Roll: 1190, Token: token, Operator: 17, By: "kim", Reason: 3, Text: "flat spot", Old: map[string]float64{"layers": 3}, New: map[string]float64{"layers": 4}, Refused: found},
		record.Confirm{Roll: 1190, Token: token, Finding: "narrow-roll", By: "kim", Text: "tips when it leans by 4.95 degrees"},
		record.Hang{No: 4, Slot: 2, State: record.Hangs, Width: 0.9144, Paper: "kraft-poly", Outer: 1.1, Length: 900.5, Over: record.HungRoll{Slot: 2, Width: 1.0668, Paper: "kraft"}, Corrects: 3, By: "kim", User: "ola"},
		record.Hung{No: 4, Slot: 2, Step: record.InForce, Evidence: "seen ready after it was not"},
		record.Heads{Material: "board-poly", Diameter: 1.2192, Count: 120, By: "kim", User: "ola"},
		record.Station{Station: "header", Mode: record.ByHand, Until: time.Date(2026, 11, 26, 6, 0, 0, 0, time.UTC), By: "kim", User: "ola", Reason: "sensor"},
		record.Mode{Armed: true, By: "kim", User: "shift", Reason: "checked", Lasts: &record.Lasting{Until: time.Date(2026, 3, 1, 4, 0, 0, 0, time.UTC), Rolls: 5}},
		record.Config{Hash: 1, Start: true, By: "kim", User: "ola", File: "mill.yaml", Program: "v1.2.0", Text: "a: 2\n", Values: []record.ConfigValue{{"a", "2"}},
			Changes: []record.ConfigChange{{"a", "1", "2", "mill.yaml:1"}}},
		record.Shadow{Token: token, Roll: 1190, Tag: "R2026-001190", Verdict: "hold", Payload: []uint16{1, 2}, Findings: found},
		record.Origin{Line: "north", Installation: "2f6a0c1e9b3d4f58", Before: "north.000000000001-000000000900.db"},
		record.Carry{Past: record.Carried{Epoch: 7, Boots: []uint32{41}, Outcomes: 1189, Doubts: []string{"x"}, Unused: []record.UnusedOffer{{Name: name, How: "void"}},
			Accepted: &record.Offer{Name: name, Payload: []uint16{1}, Request: &record.Request{Token: token}}}, Accounts: []record.Account{{Slot: 1, Outer: 1.1}}, Mode: &record.Mode{Armed: true, By: "kim"},
			Alarms: []record.Alarm{{Alarm: "link-down", Act: "raised", At: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)}}, Published: &record.Published{To: "mqtt", Journal: "9f2c71aa03de44b1", UpTo: 11}},
		record.Doubt{Doubts: []string{"it lags the controller"}},
		record.Accept{By: "kim", Reason: "restored", Doubts: []string{"it lags the controller"}},
		record.Published{To: "mqtt", Journal: "9f2c71aa03de44b1", UpTo: 1190},
		record.Register{Journal: "00ff", After: 800, By: "kim", User: "kim", Reason: "put back from the backup of Monday"},
		record.Frame{Case: "hello-boot", Block: "HELLO", Words: []uint16{0x4845, 2}},
		record.Alarm{Alarm: "certificate-ends/own", Act: "shelved", By: "kim", Reason: "ordered", Until: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC), Stage: 2},
	}
}

func TestRecordsComeBackEqual(t *testing.T) {
	seen := map[record.Kind]bool{}
	for _, r := range sampleRecords() {
		seen[r.Kind()] = true
		b, err := record.Marshal(r)
		if err != nil {
			t.Fatalf("%s: %v", r.Kind(), err)
		}
		back, err := record.Unmarshal(r.Kind(), b)
		if err != nil {
			t.Fatalf("%s: %v", r.Kind(), err)
		}
		if !reflect.DeepEqual(r, back) {
			t.Errorf("%s: wrote %+v, read %+v", r.Kind(), r, back)
		}
		again, err := record.Marshal(r)
		if err != nil || !bytes.Equal(b, again) {
			t.Errorf("%s: written twice, %s and %s", r.Kind(), b, again)
		}
		if v, err := record.ViewOf(record.Stored{Record: r}, &recipe.Line{}); err == nil && v.What == "" {
			t.Errorf("%s: people read nothing of what it holds", r.Kind())
		}
	}
	for _, k := range record.Kinds() {
		if !seen[k] {
			t.Errorf("no sample of kind %s", k)
		}
	}
}

// A record of a version that kept less of a request is read, and tells what it
// does not know.
func TestRequestOfAnEarlierVersion(t *testing.T) {
	const text = `{"token":{"boot":1,"req":2},"roll_no":3,"measured":{"roll":"R-3","diameter_m":1.2,"diameter_u_m":0.001,"diameter_max_m":1.2,` +
		`"ovality":0,"taper_m":0,"width_m":1.6,"width_u_m":0.001,"width_median_m":1.6,"width_spread_m":0,"quality":1,"age_s":1},` +
		`"stand":{"ready":[true,false,false,false,false,false],"outer_m":[1,0,0,0,0,0],"permissives":63,"platen_c":170,"mode":1,"state":6},` +
		`"diameters_dmm":[12000],"widths_dmm":[16000],"permissives":63}`
	r, err := record.Unmarshal(record.KindRequest, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if q := r.(record.Request); q.Flags != nil || q.Roll != 3 || q.Measured.Width != 1.6 {
		t.Errorf("read %+v", q)
	}
}

// What was not a number comes back as none, so that no check passes it.
func TestMeasurementComesBack(t *testing.T) {
	roll := recipe.Roll{Number: 1, Diameter: 1.2, DiameterU: math.NaN(), Quality: math.Inf(1)}
	stand := recipe.Stand{Outer: [6]float64{1, math.Inf(-1)}, Platen: 170}
	var r record.Request
	r.SetMeasurement(roll, stand)
	b, err := record.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	back, err := record.Unmarshal(record.KindRequest, b)
	if err != nil {
		t.Fatal(err)
	}
	q := back.(record.Request)
	got, s := q.Measurement()
	if !math.IsNaN(got.DiameterU) || !math.IsNaN(got.Quality) || !math.IsNaN(s.Outer[1]) || got.Diameter != 1.2 || s.Outer[0] != 1 || s.Platen != 170 {
		t.Errorf("read %+v, %+v", got, s)
	}
	if q.Measured.DiameterU != 0 || q.Stand.Outer[1] != 0 {
		t.Errorf("stored %+v", q)
	}
}

func TestUnmarshalRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		kind record.Kind
		text string
		want string
	}{
		{"unknown kind", "SOMETHING", `{}`, "not known"},
		{"unknown key", record.KindCommit, `{"roll_no":1,"colour":"red"}`, "colour"},
		{"two records", record.KindCommit, `{"roll_no":1}{"roll_no":2}`, "after it"},
		{"wrong type", record.KindCommit, `{"roll_no":"one"}`, "roll_no"},
		{"number too large", record.KindCommit, `{"roll_no":4294967296}`, "roll_no"},
		{"empty", record.KindCommit, ``, "EOF"},
		{"not JSON", record.KindCommit, "\x00\x01", "invalid character"},
	} {
		r, err := record.Unmarshal(c.kind, []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, %v; want an error with %q", c.name, r, err, c.want)
		}
	}
	if _, err := record.Marshal(nil); err == nil {
		t.Error("no record was written without an error")
	}
}

// FuzzUnmarshal: a record is read as encoding/json reads it, and what is read can be written
// and reads the same again.
func FuzzUnmarshal(f *testing.F) {
	for _, r := range sampleRecords() {
		b, err := record.Marshal(r)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(r.Kind()), b)
	}
	f.Fuzz(func(t *testing.T, kind string, b []byte) {
		if !record.Kind(kind).Known() {
			return
		}
		if err := sameAsAny(record.Kind(kind), b); err != nil {
			t.Fatal(err)
		}
		r, err := record.Unmarshal(record.Kind(kind), b)
		if err != nil {
			return
		}
		if r.Kind() != record.Kind(kind) {
			t.Fatalf("read %s as %s", kind, r.Kind())
		}
		once, err := record.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		back, err := record.Unmarshal(r.Kind(), once)
		if err != nil {
			t.Fatalf("%s: %v", once, err)
		}
		twice, err := record.Marshal(back)
		if err != nil || !bytes.Equal(once, twice) {
			t.Fatalf("%s\n%s\n%v", once, twice, err)
		}
	})
}
