package offline_test

import (
	"fmt"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/offline"
)

func materials() *recipe.Materials {
	return &recipe.Materials{
		Grades: []recipe.Grade{{Name: "newsprint", Code: 1}, {Name: "LWC-80", Code: 7}},
		Cores:  []recipe.Core{{Name: "three-inch", Code: 3}},
	}
}

func read(text string) (rolls []recipe.Roll, err error) {
	for r, err := range offline.Rolls("r.csv", strings.NewReader(text), materials()) {
		if err != nil {
			return rolls, err
		}
		rolls = append(rolls, r.Rolls[0])
	}
	return rolls, nil
}

func TestRolls(t *testing.T) {
	rolls, err := read("\ufeff# a made-up list\nRoll, Diameter (mm), Width (in), Grade, Core, Weight, Quality\n#A-1, 1016, 40, LWC-80, three-inch, 900 kg, \nA-2, 1016.5, 40, 7, , , 0.5\n")
	if err != nil || len(rolls) != 2 {
		t.Fatalf("%d rolls with %v, want 2", len(rolls), err)
	}
	r := rolls[0]
	if r.Tag != "#A-1" || math.Abs(r.Diameter-1.016) > 1e-12 || math.Abs(r.Width-1.016) > 1e-12 || r.Grade != 7 || r.Core != 3 || r.KnownWeight != 900 || r.Quality != 1 {
		t.Errorf("got %+v", r)
	}
	if r := rolls[1]; r.Grade != 7 || r.Core != 0 || r.KnownWeight != 0 || r.Quality != 0.5 {
		t.Errorf("got %+v", r)
	}
}

// What is not known of a roll is told in columns of its own, and reaches half of
// ovality and spread to either side of the mean.
func TestUncertainRolls(t *testing.T) {
	rolls, err := read("roll,diameter (mm),width (mm),diameter_u (mm),width_u (mm),ovality,width_spread (mm)\nA,1000,800,0.5,0.4,0.01,6\n")
	if err != nil || len(rolls) != 1 {
		t.Fatalf("%d rolls with %v, want 1", len(rolls), err)
	}
	r, x := rolls[0], rolls[0].Extent()
	for _, c := range [][2]float64{
		{r.DiameterU, 0.5e-3}, {r.WidthU, 0.4e-3}, {x.Smallest, 0.995}, {x.Largest, 1.005}, {x.Narrowest, 0.797}, {x.Widest, 0.803},
	} {
		if math.Abs(c[0]-c[1]) > 1e-12 {
			t.Errorf("got %v, want %v in %+v, %+v", c[0], c[1], r, x)
		}
	}
}

// A row with a count stands for that many rolls, each with a name of its own.
func TestCountedRolls(t *testing.T) {
	rolls, err := read("roll,diameter (m),width (m),count\nA,1,1,\nB,1,1,1\nC,1,2,3\nD,1,1,100\n")
	if err != nil || len(rolls) != 105 {
		t.Fatalf("%d rolls with %v, want 105", len(rolls), err)
	}
	for i, want := range map[int]string{0: "A", 1: "B", 2: "C-01", 4: "C-03", 5: "D-001", 104: "D-100"} {
		if rolls[i].Tag != want {
			t.Errorf("roll %d is named %s, want %s", i, rolls[i].Tag, want)
		}
	}
	if rolls[2].Width != 2 || rolls[4].Width != 2 {
		t.Errorf("got %+v and %+v", rolls[2], rolls[4])
	}
	for _, cell := range []string{"0", "-1", "1.5", "two", "10001"} {
		if _, err := read("roll,diameter,width,count\nA,1 m,1 m," + cell + "\n"); err == nil || !strings.Contains(err.Error(), "r.csv:2:11: count: it is no number of this column") {
			t.Errorf("%s: got %v", cell, err)
		}
	}
	// Whoever has enough of them gets no more.
	for r, err := range offline.Rolls("r.csv", strings.NewReader("roll,diameter (m),width (m),count\nA,1,1,3\n"), materials()) {
		if r.Rolls[0].Tag != "A-01" || err != nil {
			t.Errorf("got %s with %v", r.Rolls[0].Tag, err)
		}
		break
	}
}

// Each of several materials has its own code for a name.
func TestRollsOfSeveralMaterials(t *testing.T) {
	old := &recipe.Materials{Grades: []recipe.Grade{{Name: "newsprint", Code: 4}}}
	const head = "roll,diameter (m),width (m),grade\n"
	for r, err := range offline.Rolls("r.csv", strings.NewReader(head+"A,1,1,newsprint\n"), materials(), old) {
		if err != nil || r.Rolls[0].Grade != 1 || r.Rolls[1].Grade != 4 {
			t.Errorf("got %+v with %v", r, err)
		}
	}
	for _, err := range offline.Rolls("r.csv", strings.NewReader(head+"A,1,1,LWC-80\n"), materials(), old) {
		if err == nil || !strings.Contains(err.Error(), `r.csv:2:7: grade: "LWC-80" is not known`) {
			t.Errorf("got %v", err)
		}
	}
}

// From the first bad row on no roll is given, but every problem is told.
func TestRollsStopAtTheFirstProblem(t *testing.T) {
	rolls, err := read("roll,diameter (m),width (m),grade\nA,1,1,1\nB,x,1,1\nC,1,1,1\nD,1,1,parchment\n")
	if len(rolls) != 1 || err == nil || !strings.Contains(err.Error(), "r.csv:3:3: diameter") || !strings.Contains(err.Error(), `r.csv:5:7: grade: "parchment" is not known`) {
		t.Errorf("%d rolls with %v", len(rolls), err)
	}
	for text, want := range map[string]string{
		"":                      "r.csv: the table is empty",
		"roll,diameter,width\n": "r.csv: the table has a header but no rolls; is it cut short?",
		"roll,diameter,width\nA,1 m,1 m\nB,1 m,1 m\nA,1 m,1 m\n": "r.csv:4:1: roll: it stands on line 2 too",
	} {
		if _, err := read(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}

// What no measurement gives is refused with its place.
func TestRollsRefuseTheImpossible(t *testing.T) {
	for cells, want := range map[string]string{
		"quality,1.5":        `no measurement gives this (got "1.5", want 0 to 1)`,
		"quality,-0.1":       "quality",
		"ovality,-1":         `ovality: no measurement gives this (got "-1", want 0 to 2)`,
		"width_spread,-5 mm": `width_spread: no measurement gives this (got "-5 mm", want at least 0 mm)`,
		"weight,-3 kg":       "weight: no measurement gives this",
		"age,-1 s":           "age: no measurement gives this",
		"diameter_u,-1 mm":   "diameter_u: no measurement gives this",
		"width_u,-1 mm":      "width_u: no measurement gives this",
		"quality,1":          "",
		"width_spread,0 mm":  "",
		"ovality,0.01":       "",
		"weight,":            "",
		"diameter_u,0.5 mm":  "",
	} {
		column, cell, _ := strings.Cut(cells, ",")
		_, err := read("roll,diameter,width," + column + "\nA,1 m,1 m," + cell + "\n")
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %s", cells, err, want)
		}
	}
	for _, row := range []string{"A,-1 m,1 m\n", "A,1 m,-1 m\n"} {
		if _, err := read("roll,diameter,width\n" + row); err == nil || !strings.Contains(err.Error(), "no measurement gives this") {
			t.Errorf("%s: got %v", row, err)
		}
	}
}

// longList is a list of rolls that is made while it is read.
type longList struct {
	at, rolls int
	rest      string
}

func (l *longList) Read(p []byte) (int, error) {
	if l.rest == "" {
		if l.at > l.rolls {
			return 0, io.EOF
		}
		l.rest = "roll,diameter (mm),width (mm),grade\n"
		if l.at > 0 {
			l.rest = fmt.Sprintf("R%06d,%d,%d,newsprint\n", l.at, 1000+l.at%7, 900+l.at)
		}
		l.at++
	}
	n := copy(p, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}

// A list of rolls is not held: what grows with it is the digest of each name.
func TestMemoryIsBounded(t *testing.T) {
	const n = 200_000
	var before, at runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	count := 0
	for _, err := range offline.Rolls("long", &longList{rolls: n}, materials()) {
		if err != nil {
			t.Fatal(err)
		}
		if count++; count == n {
			runtime.GC()
			runtime.ReadMemStats(&at)
		}
	}
	if held := int64(at.HeapAlloc) - int64(before.HeapAlloc); count != n || held > 50*n+(4<<20) {
		t.Errorf("%d rolls hold %d bytes", count, held)
	}
}

func TestCompute(t *testing.T) {
	line := &recipe.Line{Stand: recipe.StandSpec{Slots: []recipe.SlotSpec{{Number: 2, Width: 1.5}}}}
	stand := offline.Stand(line, 1)
	if !stand.Ready[1] || stand.Ready[0] || stand.Outer[1] != 1 || stand.Permissives != math.MaxUint32 {
		t.Errorf("got %+v", stand)
	}
	// A line without materials holds every roll.
	if r := offline.Compute(line, &recipe.Roll{Tag: "A", Diameter: 1, Width: 1}, &stand); r.Verdict != "hold" || r.Roll != "A" || len(r.Findings) == 0 || r.Instructions != nil {
		t.Errorf("got %+v", r)
	}
}

// Rolls for a simulated line tell what no scanner knows, within what a line can be, and have
// names that a controller has room for.
func TestTrueRolls(t *testing.T) {
	read := func(row string) (out []offline.Row, err error) {
		for r, e := range offline.TrueRolls("r.csv", strings.NewReader("roll,diameter (m),width (m),count,taper,telescoping (m),permissive_off\n"+row+"\n"), []string{"air", "guard"}, materials()) {
			if e != nil {
				return nil, e
			}
			out = append(out, r)
		}
		return out, nil
	}
	rows, err := read("ABCDEFGHIJKLM,1,1,2,0.2,0.3,guard")
	if err != nil || len(rows) != 2 || rows[1].Truth != (offline.Truth{Taper: 0.2, Telescoping: 0.3, Permissive: 2}) {
		t.Fatalf("got %+v, %v", rows, err)
	}
	for row, want := range map[string]string{
		"ABCDEFGHIJKLMN,1,1,2,,,":   "a controller has no room for this name",
		"ABCDEFGHIJKLMNOPQ,1,1,,,,": "a controller has no room for this name",
		"\u00fcber,1,1,,,,":         "a controller has no room for this name",
		"A,6.6,1,,,,":               "no controller can ask for such a roll",
		"A,1,0.01,,,,":              "no controller can ask for such a roll",
		"A,1,1,,0.21,,":             "taper",
		"A,1,1,,-0.21,,":            "taper",
		"A,1,1,,,0.31,":             "telescoping",
		"A,1,1,,,-0.01,":            "telescoping",
		"A,1,1,,,,steam":            "no permissive has this name",
	} {
		if _, err := read(row); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", row, err, want)
		}
	}
	if rows, err := read("ABCDEFGHIJKLMNOP,6.5,0.02,,,,"); err != nil || rows[0].Truth.Permissive != 0 {
		t.Errorf("the longest name and the greatest roll: %+v, %v", rows, err)
	}
}
