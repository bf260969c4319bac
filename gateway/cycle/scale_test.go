package cycle

import (
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// TestScaleMismatch judges scale readings of the roll whose recipe was
// accepted last.
func TestScaleMismatch(t *testing.T) {
	line := testLine()
	line.Equipment.Scale = recipe.Auto
	roll := recipe.Roll{Number: 7, Tag: "R-7", Diameter: 1.25, DiameterU: 5e-4, Width: 1.602, WidthU: 5e-4, WidthMedian: 1.602, Grade: 7, Core: 3}
	stand := recipe.Stand{Ready: [6]bool{true, true, true}, Outer: [6]float64{1, 1, 1}}
	var rec recipe.Recipe
	recipe.Compute(line, &roll, &stand, &rec)
	gross := rec.Setpoints.Gross
	if !rec.Setpoints.Groups.Has(recipe.GroupWeigh) {
		t.Fatalf("no mass is predicted: %+v", rec.Problems[:rec.N])
	}
	for _, c := range []struct {
		name    string
		outcome handshake.Outcome
		counted string
		told    bool
	}{
		{"as expected", handshake.Outcome{RollNo: 7, Outcome: handshake.Wrapped, Scale: uint32(gross * 10)}, "scale/good", false},
		{"far off", handshake.Outcome{RollNo: 7, Outcome: handshake.Wrapped, Scale: uint32(gross * 15)}, "scale/wrong", true},
		{"not weighed", handshake.Outcome{RollNo: 7, Outcome: handshake.Wrapped}, "", false},
		{"by hand", handshake.Outcome{RollNo: 7, Outcome: handshake.WrappedByHand, Scale: 1}, "", false},
		{"another roll", handshake.Outcome{RollNo: 8, Outcome: handshake.Wrapped, Scale: 1}, "", false},
	} {
		m := New(Config{Line: line, Times: testTimes})
		m.wrapping = wrapping{roll: 7, line: line, measured: roll, setpoints: rec.Setpoints}
		m.tellScale(&c.outcome, m.compareScale(&c.outcome))
		told := false
		for _, a := range m.out {
			if n, ok := a.(Notify); ok && n.Code == noteScale {
				told = n.Level == Warning && strings.Contains(n.Text, "the scale reads ")
			}
		}
		if told != c.told {
			t.Errorf("%s: told %v: %+v", c.name, told, m.out)
		}
		n := 0
		for _, count := range m.counts {
			if strings.HasPrefix(count.Key, "scale/") {
				n++
				if count.Key != c.counted || count.N != 1 {
					t.Errorf("%s: counted %+v", c.name, count)
				}
			}
		}
		if (n == 1) != (c.counted != "") {
			t.Errorf("%s: counted %v", c.name, m.counts)
		}
	}
	m := New(Config{Line: line, Times: testTimes})
	if w := m.compareScale(&handshake.Outcome{RollNo: 7, Outcome: handshake.Wrapped, Scale: 1}); w != nil {
		t.Errorf("after a restart: %+v", w)
	}
	if len(m.out) > 0 {
		t.Errorf("after a restart: %+v", m.out)
	}
}

// TestWeighingAfterRestart judges a reading with nothing but the records of
// the journal in memory.
func TestWeighingAfterRestart(t *testing.T) {
	line := testLine()
	line.Equipment.Scale = recipe.Auto
	roll := recipe.Roll{Number: 7, Tag: "R-7", Diameter: 1.25, DiameterU: 5e-4, Width: 1.602, WidthU: 5e-4, WidthMedian: 1.602, Grade: 7, Core: 3}
	stand := recipe.Stand{Ready: [6]bool{true, true, true}, Outer: [6]float64{1, 1, 1}}
	var rec recipe.Recipe
	recipe.Compute(line, &roll, &stand, &rec)
	name := record.OfferName{Session: handshake.Session{Epoch: 2, Nonce: 5}, Offer: 3}
	token := handshake.Token{Boot: 41, Req: 9}
	request := record.Request{Token: token, Roll: 7, Measured: roll, Stand: stand}
	intent := record.Intent{Token: token, Roll: 7, Offer: name, Form: handshake.KindRecipe, Origin: handshake.Computed, ConfigHash: 5, Payload: make([]uint16, handshake.PayloadWords)}
	accepted := record.Verdict{Roll: 7, Offer: name, Verdict: handshake.Accepted}
	byPerson := intent
	byPerson.Origin = handshake.Override
	later := request
	later.Token.Req, later.Roll = 10, 8
	for _, c := range []struct {
		name    string
		log     []record.Record
		hash    uint32
		offer   uint16
		factor  float64
		verdict string
	}{
		{"good", []record.Record{request, intent, accepted}, 5, 3, 1, "good"},
		{"wrong", []record.Record{request, intent, accepted}, 5, 3, 1.5, "wrong"},
		{"verdict not known yet", []record.Record{request, intent}, 5, 3, 1, "good"},
		{"another configuration", []record.Record{request, intent, accepted}, 6, 3, 1, ""},
		{"a named person's recipe", []record.Record{request, byPerson, accepted}, 5, 3, 1, ""},
		{"another offer", []record.Record{request, intent, accepted}, 5, 2, 1, ""},
		{"rejected", []record.Record{request, intent, record.Verdict{Roll: 7, Offer: name, Verdict: handshake.Rejected}}, 5, 3, 1, ""},
		{"a later request", []record.Record{request, intent, accepted, later}, 5, 3, 1, "good"},
		{"memory of the controller lost", []record.Record{request, intent, accepted, record.Gap{Boot: 99}}, 5, 3, 1, ""},
	} {
		m := New(Config{Line: line, ConfigHash: c.hash, Times: testTimes})
		for _, r := range c.log {
			if err := m.Recover(record.Stored{Record: r}); err != nil {
				t.Fatalf("%s: %v", c.name, err)
			}
		}
		reading := uint32(rec.Setpoints.Gross * 10 * c.factor)
		w := m.compareScale(&handshake.Outcome{RollNo: 7, Outcome: handshake.Wrapped, Session: name.Session, Offer: c.offer, Scale: reading})
		switch {
		case c.verdict == "":
			if w != nil {
				t.Errorf("%s: %+v, want none", c.name, w)
			}
		case w == nil || w.Verdict != c.verdict || w.Gross != rec.Setpoints.Gross || w.Reading != float64(reading)/10 || !strings.Contains(w.Text, "the scale reads "):
			t.Errorf("%s: %+v, want %s and %v kg", c.name, w, c.verdict, rec.Setpoints.Gross)
		}
	}
}
