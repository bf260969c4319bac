package main

import (
	"math"
	"strings"
	"testing"
)

func TestReadRolls(t *testing.T) {
	const text = "\xef\xbb\xbf# a made-up list\nRoll, Diameter (mm), Width [in], Grade, Weight\nA-1, 1016, 40, LWC-80, 900 kg\n\"A-2\", 1,016.5, 40, 7, \n"
	// An unquoted comma inside a number makes one field too many.
	if _, err := readRolls("rolls.csv", strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), "rolls.csv:4:1: row has 6 fields, want the 5") {
		t.Errorf("got %v", err)
	}
	rolls, err := readRolls("rolls.csv", strings.NewReader(strings.Replace(text, "1,016.5", "1016.5", 1)))
	if err != nil {
		t.Fatal(err)
	}
	if len(rolls) != 2 {
		t.Fatalf("got %d rolls, want 2", len(rolls))
	}
	r := rolls[0]
	if r.Tag != "A-1" || math.Abs(r.Diameter-1.016) > 1e-12 || math.Abs(r.Width-1.016) > 1e-12 || r.Grade != "LWC-80" || r.Weight != 900 {
		t.Errorf("got %+v", r)
	}
	if rolls[1].Weight != 0 || rolls[1].At != "rolls.csv:4" {
		t.Errorf("got %+v", rolls[1])
	}
}

func TestReadRollsErrors(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
	}{
		{"empty", " \n\n", []string{"r.csv: is empty"}},
		{"binary", "roll\x00\x01", []string{"r.csv: is not text"}},
		{"latin-1", "roll,di\xe4meter\n", []string{"r.csv: is not text"}},
		{"header only", "roll,diameter,width\n", []string{"r.csv: has a header but no rolls"}},
		{"semicolons", "roll;diameter;width\nA;1 m;1 m\n", []string{"r.csv:1:1: header: fields are separated"}},
		{"unknown and missing", "roll,diametre,width\nA,1 m,1 m\n", []string{`r.csv:1:6: header: column "diametre" is not known`, `column "diameter" is missing`}},
		{"twice", "roll,diameter,width,width\nA,1 m,1 m,1 m\n", []string{`r.csv:1:21: header: column "width" stands there twice`}},
		{"wrong unit", "roll,diameter (kg),width\nA,1,1 m\n", []string{`r.csv:1:6: header: column "diameter"`}},
		{"unit on text", "roll (m),diameter,width\nA,1 m,1 m\n", []string{`column "roll" has no unit`}},
		{"cut short", "roll,diameter,width\nA,1 m,1 m\nB,1 m\n", []string{"r.csv:3:1: row has 2 fields, want the 3 of the header; is the file cut short?"}},
		{"open quote", "roll,diameter,width\nA,1 m,1 m\n\"B,1 m,1 m\n", []string{"r.csv:3:"}},
		{"all at once", "roll,diameter,width\nA,1250,\nB,1 m,x m\nA,1 m,1 m\n", []string{
			"r.csv:2:3: diameter:", "r.csv:2:8: width: is empty", "r.csv:3:7: width:", `r.csv:4:1: roll: "A" is on line 2 too`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rolls, err := readRolls("r.csv", strings.NewReader(c.text))
			if err == nil {
				t.Fatalf("got %v and no error", rolls)
			}
			if rolls != nil {
				t.Errorf("a bad file gave rolls: %v", rolls)
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("got\n%v\nwant in it\n%s", err, w)
				}
			}
		})
	}
}

func FuzzReadRolls(f *testing.F) {
	f.Add("roll,diameter (mm),width\nA,1016,1 m\n")
	f.Add("roll;diameter\n")
	f.Add("\"")
	f.Fuzz(func(t *testing.T, text string) {
		rolls, err := readRolls("r.csv", strings.NewReader(text))
		if (err == nil) != (len(rolls) > 0) {
			t.Fatalf("%d rolls and error %v", len(rolls), err)
		}
		seen := map[string]bool{}
		for _, r := range rolls {
			if r.Tag == "" || seen[r.Tag] {
				t.Fatalf("roll without a name of its own: %+v", r)
			}
			seen[r.Tag] = true
			if math.IsNaN(r.Diameter) || math.IsInf(r.Width, 0) {
				t.Fatalf("not a number: %+v", r)
			}
		}
	})
}
