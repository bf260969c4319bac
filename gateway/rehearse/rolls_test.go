package rehearse_test

import (
	"math"
	"strings"
	"testing"

	"lapgate/gateway/rehearse"
	"lapgate/sim"
)

// The list that the command recipe takes goes to the simulator too, with what no
// scanner knows besides; all that is wrong is told with its place.
func TestRolls(t *testing.T) {
	line := &demo(t, nil).Lines[0]
	text := "roll,diameter (in),width (mm),grade,core,ovality,age (s),width_spread (mm),taper,permissive_off\n" +
		"A-1,40,1219.2,coated,2,0.004,180,6,0.002,air pressure\nA-2,41,1200,3,,,,,,\n"
	rolls, err := rehearse.Rolls("rolls.csv", strings.NewReader(text), line)
	if err != nil || len(rolls) != 2 {
		t.Fatalf("%d rolls, %v", len(rolls), err)
	}
	want := sim.Roll{Tag: "A-1", Diameter: 1.016, Width: 1.2192, Ovality: 0.004, Taper: 0.002, Telescoping: 0.006, Grade: 2, Core: 2, ScanAge: 180, Permissive: 1 + sim.Air}
	got := rolls[0]
	if math.Abs(got.Diameter-want.Diameter)+math.Abs(got.Width-want.Width)+math.Abs(got.Telescoping-want.Telescoping) > 1e-12 {
		t.Errorf("got %+v, want %+v", got, want)
	}
	got.Diameter, got.Width, got.Telescoping = want.Diameter, want.Width, want.Telescoping
	if got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	rolls, err = rehearse.Rolls("rolls.csv", strings.NewReader("roll,diameter (in),width (in),grade,core,count\nA-of-thirteen,40,48,1,1,2\n"), line)
	if err != nil || len(rolls) != 2 || rolls[0].Tag != "A-of-thirteen-01" || rolls[1].Tag != "A-of-thirteen-02" {
		t.Errorf("got %+v, %v", rolls, err)
	}
	if _, err = rehearse.Rolls("rolls.csv", strings.NewReader("roll,diameter (in),width (in),grade,core,count\nA-of-thirteen,40,48,1,1,100\n"), line); err == nil || !strings.Contains(err.Error(), `no room for this name (got "A-of-thirteen-100"`) {
		t.Errorf("a name that grows too long: %v", err)
	}
	_, err = rehearse.Rolls("rolls.csv", strings.NewReader("roll,diameter (in),width (in),grade,permissive_off\nA-name-of-eighteen,40,48,1,\nA,400,48,foil,water\n"), line)
	for _, want := range []string{"rolls.csv:2:1: roll: a controller has no room", "rolls.csv:3:3: diameter: no controller can ask", "rolls.csv:3:10: grade: ", "rolls.csv:3:15: permissive_off: no permissive has this name"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("does not say %q: %v", want, err)
		}
	}
}
