package orders_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"lapgate/gateway/orders"
	"lapgate/recipe"
	"lapgate/recipe/table"
)

func materials() *recipe.Materials {
	return &recipe.Materials{Grades: []recipe.Grade{{Name: "newsprint", Code: 1}, {Name: "liner", Code: 7}}}
}

const goodOrders = "roll,order,grade,density,width (mm),diameter,spec,destination\r\n" +
	"R1,O-77,7,800 kg/m3,1602,1250 mm,standard,\"Quay 4, north\"\r\n" +
	"#R2,,newsprint,,,,,\r\n"

// read puts one file into a folder and looks until it stands still.
func read(name, text string) (*orders.Orders, error) {
	f := orders.NewFolder(fstest.MapFS{name: {Data: []byte(text)}}, materials())
	if _, err := f.Poll(); err != nil {
		return nil, err
	}
	_, err := f.Poll()
	return f.Orders(), err
}

func TestRead(t *testing.T) {
	o, err := read("a.csv", "\uFEFF"+goodOrders)
	if err != nil {
		t.Fatal(err)
	}
	want := recipe.Order{ID: "O-77", Grade: 7, Density: 800, Width: 1.602, Diameter: 1.25, Spec: "standard", Destination: "Quay 4, north"}
	if got, ok := o.Find("R1"); !ok || got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got, ok := o.Find("#R2"); !ok || got != (recipe.Order{Grade: 1}) {
		t.Errorf("got %+v, %v, want an order for its grade alone", got, ok)
	}
	if _, ok := o.Find("R3"); ok || o.Len() != 2 {
		t.Errorf("%d orders", o.Len())
	}
}

func TestReadProblems(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
	}{
		{"every bad cell", "roll,grade,width,diameter (mm)\nR1,x,1602,1\n,7,-2 mm,1,\nR2,7,2 m,0\nR3,7,2 m,1 mm\n",
			[]string{`a.csv:2:4: grade: "x" is not known; a code or a name is wanted: 1 (newsprint), 7 (liner)`, "a.csv:2:6: width", "a.csv:3:1: the row does not fit", "a.csv:4:10: diameter", "a.csv:5:10: diameter"}},
		{"a grade misspelt", "roll,grade\nR1,linre\nR2,T00004\n", []string{`a.csv:2:4: grade: "linre" is not known (did you mean liner?)`, `a.csv:3:4: grade: "T00004" is not known;`}},
		{"duplicate", "roll,grade\nR1,7\nR2,7\nR1,8\n", []string{`a.csv:4:1: roll: it stands on line 2 too`}},
		{"cut in a line", "roll,grade\nR1,7\nR2", []string{"a.csv:3:1: the last line has no end"}},
		{"columns", "roll,colour,width (kg)\n", []string{`a.csv:1:6: header: the column is not known (got "colour"`, "a.csv:1:13: header: column width: unit of another dimension"}},
		{"no roll column", "grade\n7\n", []string{"column roll is missing"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := read("a.csv", c.text)
			if err == nil {
				t.Fatal("no error")
			}
			got := slices.DeleteFunc(strings.Split(err.Error(), "\n"), func(line string) bool { return !strings.HasPrefix(line, "a.csv") })
			if len(got) != len(c.want) {
				t.Errorf("got\n%v\nwant %d problems", err, len(c.want))
			}
			for i := range min(len(got), len(c.want)) {
				if !strings.Contains(got[i], c.want[i]) {
					t.Errorf("problem %d: %q, want %q", i, got[i], c.want[i])
				}
			}
		})
	}
}

type folderTest struct {
	t    *testing.T
	fsys fstest.MapFS
	f    *orders.Folder
	now  time.Time
}

func newFolderTest(t *testing.T) *folderTest {
	fsys := fstest.MapFS{}
	return &folderTest{t: t, fsys: fsys, f: orders.NewFolder(fsys, materials()), now: time.Date(2026, 3, 14, 6, 0, 0, 0, time.UTC)}
}

func (x *folderTest) write(name, text string) {
	x.now = x.now.Add(time.Second)
	x.fsys[name] = &fstest.MapFile{Data: []byte(text), ModTime: x.now}
}

// poll polls and wants the orders of these rolls in force.
func (x *folderTest) poll(wantChanged bool, wantErr string, rolls ...string) {
	x.t.Helper()
	changed, err := x.f.Poll()
	if changed != wantChanged {
		x.t.Errorf("changed is %v, want %v", changed, wantChanged)
	}
	if (err == nil) != (wantErr == "") || err != nil && !strings.Contains(err.Error(), wantErr) {
		x.t.Errorf("error %v, want %q", err, wantErr)
	}
	o := x.f.Orders()
	for _, r := range rolls {
		if _, ok := o.Find(r); !ok {
			x.t.Errorf("no order for %s", r)
		}
	}
	if o.Len() != len(rolls) {
		x.t.Errorf("%d orders, want %d", o.Len(), len(rolls))
	}
}

func TestFolder(t *testing.T) {
	x := newFolderTest(t)
	x.poll(false, "")
	x.poll(true, "") // an empty folder, seen twice
	x.poll(false, "")
	x.write("a.csv", goodOrders)
	x.write("notes.txt", "anything")
	x.poll(false, "") // seen once: it may be still growing
	x.poll(true, "", "R1", "#R2")
	x.poll(false, "", "R1", "#R2")
	before := x.f.Orders()

	x.write("b.CSV", "roll\nR3\nR4") // half written
	x.poll(false, "", "R1", "#R2")
	x.write("b.CSV", "roll\nR3\nR4\nR") // and growing
	x.poll(false, "", "R1", "#R2")
	x.poll(false, "b.CSV:4:1: the last line has no end", "R1", "#R2")
	x.poll(false, "", "R1", "#R2") // said once
	x.write("b.CSV", "roll\nR3\nR4\nR5\n")
	x.poll(false, "", "R1", "#R2")
	x.poll(true, "", "R1", "#R2", "R3", "R4", "R5")
	if before.Len() != 2 {
		t.Error("orders that were in force changed")
	}

	x.write("c.csv", "roll,grade\nR6,no\nR3,1\n")
	x.poll(false, "", "R1", "#R2", "R3", "R4", "R5")
	x.poll(false, "c.csv:2:4: grade", "R1", "#R2", "R3", "R4", "R5")
	x.write("c.csv", "roll,grade\nR6,1\nR3,1\n")
	x.poll(false, "", "R1", "#R2", "R3", "R4", "R5")
	x.poll(false, `c.csv:3:1: roll: "R3" stands at b.CSV:2 too`, "R1", "#R2", "R3", "R4", "R5")
	delete(x.fsys, "c.csv")
	delete(x.fsys, "a.csv")
	x.poll(false, "", "R1", "#R2", "R3", "R4", "R5")
	x.poll(true, "", "R3", "R4", "R5")
}

// New materials have the folder read again, though no file changed.
func TestFolderTakesOtherMaterials(t *testing.T) {
	x := newFolderTest(t)
	x.write("a.csv", "roll,grade\nR1,news\n")
	x.poll(false, "")
	x.poll(false, `a.csv:2:4: grade: "news" is not known`)
	x.poll(false, "")
	x.f.Use(&recipe.Materials{Grades: []recipe.Grade{{Name: "news", Code: 4}}})
	x.poll(true, "", "R1")
	if o, _ := x.f.Orders().Find("R1"); o.Grade != 4 {
		t.Errorf("got %+v", o)
	}
	x.poll(false, "", "R1")
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(goodOrders))
	f.Add([]byte("roll,width\nR1,\"1\n\",2\n"))
	f.Add([]byte("roll;width\n"))
	f.Add([]byte("\uFEFFroll\r\nR1\r\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		fsys := fstest.MapFS{"f.csv": {Data: b}}
		folder := orders.NewFolder(fsys, materials())
		if changed, err := folder.Poll(); changed || err != nil {
			t.Fatalf("the first look changed %v with error %v", changed, err)
		}
		changed, err := folder.Poll()
		var p *table.Problems
		if changed == (err != nil) || err != nil && !errors.As(err, &p) {
			t.Fatalf("changed %v with error %v", changed, err)
		}
		o, again := read("f.csv", string(b))
		if (err == nil) != (again == nil) || err != nil && err.Error() != again.Error() {
			t.Fatalf("read twice, it says %v and %v", err, again)
		}
		if err == nil && o.Len() != folder.Orders().Len() {
			t.Fatalf("%d orders, and %d", o.Len(), folder.Orders().Len())
		}
		for _, tag := range []string{"R1", ""} {
			x, ok := o.Find(tag)
			if tag == "" && ok {
				t.Fatal("an order without a roll")
			}
			if slices.ContainsFunc([]float64{x.Density, x.Width, x.Diameter}, func(v float64) bool { return v < 0 || math.IsNaN(v) || math.IsInf(v, 0) }) {
				t.Fatalf("%+v", x)
			}
		}
	})
}
