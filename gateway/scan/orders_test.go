package scan

import (
	"math"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"lapgate/recipe"
)

const goodOrders = "roll,order,grade,density,width [mm],diameter,spec,destination\r\n" +
	"R1,O-77,7,800 kg/m3,1602,1250 mm,standard,\"Quay 4, north\"\r\n" +
	"R2,,,,,,,\r\n"

func TestReadOrders(t *testing.T) {
	o, problems := ReadOrders("a.csv", []byte("\uFEFF"+goodOrders))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	want := recipe.Order{ID: "O-77", Grade: 7, Density: 800, Width: 1.602, Diameter: 1.25, Spec: "standard", Destination: "Quay 4, north"}
	if got, ok := o.Find("R1"); !ok || got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got, ok := o.Find("R2"); !ok || got != (recipe.Order{}) {
		t.Errorf("got %+v, want an empty order", got)
	}
	if _, ok := o.Find("R3"); ok || o.Len() != 2 {
		t.Errorf("%d orders", o.Len())
	}
}

func TestReadOrdersProblems(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
	}{
		{"every bad cell", "roll,grade,width,diameter [mm]\nR1,x,1602,1\n,7,-2 mm,1,\nR2,7,2 m,0\nR3,7,2 m,1 mm\n",
			[]string{"a.csv:2:4: grade", "a.csv:2:6: width", "a.csv:3:1: 5 cells", "a.csv:4:10: diameter", "a.csv:5:10: diameter"}},
		{"empty tag", "roll,grade\n,7\n", []string{"a.csv:2:1: roll: empty"}},
		{"duplicate", "roll,grade\nR1,7\nR2,7\nR1,8\n", []string{`a.csv:4:1: roll: "R1" stands already at a.csv:2`}},
		{"no file", "", []string{"half written"}},
		{"cut in a line", "roll,grade\nR1,7\nR2", []string{"half written"}},
		{"only line ends", "\n\n", []string{"a.csv:1:1: the file is empty"}},
		{"semicolons", "roll;grade\nR1;7\n", []string{"semicolons"}},
		{"columns", "roll,colour,grade [kg],width [kg],width\n", []string{
			`a.csv:1:6: column "colour" is not known`, "a.csv:1:13: column grade has a unit", "a.csv:1:24: column width", "a.csv:1:35: column width stands twice"}},
		{"no roll column", "grade\n7\n", []string{"no column roll"}},
		{"quotes", "roll,grade\nR\"1,7\nR2,x\n", []string{"a.csv:2:2:", "a.csv:3:4: grade"}},
		{"binary", "roll\x00,\n", []string{"not UTF-8"}},
		{"another encoding", "roll\nR\xe9\n", []string{"not UTF-8"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, problems := ReadOrders("a.csv", []byte(c.text))
			for i, p := range problems {
				if i >= len(c.want) || !strings.Contains(p.Error(), c.want[i]) {
					t.Errorf("problem %d: %q, want %q", i, p.Error(), c.want)
				}
			}
			if len(problems) < len(c.want) {
				t.Errorf("%d problems, want %q", len(problems), c.want)
			}
		})
	}
}

type folderTest struct {
	t    *testing.T
	fsys fstest.MapFS
	f    *Folder
	now  time.Time
}

func newFolderTest(t *testing.T) *folderTest {
	fsys := fstest.MapFS{}
	return &folderTest{t: t, fsys: fsys, f: NewFolder(fsys), now: time.Date(2026, 3, 14, 6, 0, 0, 0, time.UTC)}
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
	x.poll(true, "", "R1", "R2")
	x.poll(false, "", "R1", "R2")
	before := x.f.Orders()

	x.write("b.CSV", "roll\nR3\nR4") // half written
	x.poll(false, "", "R1", "R2")
	x.write("b.CSV", "roll\nR3\nR4\nR") // and growing
	x.poll(false, "", "R1", "R2")
	x.poll(false, "b.CSV: the last line has no end", "R1", "R2")
	x.poll(false, "", "R1", "R2") // said once
	x.write("b.CSV", "roll\nR3\nR4\nR5\n")
	x.poll(false, "", "R1", "R2")
	x.poll(true, "", "R1", "R2", "R3", "R4", "R5")
	if before.Len() != 2 {
		t.Error("orders that were in force changed")
	}

	x.write("c.csv", "roll,grade\nR6,no\nR3,1\n")
	x.poll(false, "", "R1", "R2", "R3", "R4", "R5")
	x.poll(false, "c.csv:2:4: grade", "R1", "R2", "R3", "R4", "R5")
	x.write("c.csv", "roll,grade\nR6,1\nR3,1\n")
	x.poll(false, "", "R1", "R2", "R3", "R4", "R5")
	x.poll(false, `c.csv:3:1: roll: "R3" stands already at b.CSV:2`, "R1", "R2", "R3", "R4", "R5")
	delete(x.fsys, "c.csv")
	delete(x.fsys, "a.csv")
	x.poll(false, "", "R1", "R2", "R3", "R4", "R5")
	x.poll(true, "", "R3", "R4", "R5")
}

func FuzzReadOrders(f *testing.F) {
	f.Add([]byte(goodOrders))
	f.Add([]byte("roll,width\nR1,\"1\n\",2\n"))
	f.Add([]byte("roll;width\n"))
	f.Add([]byte("\uFEFFroll\r\nR1\r\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		o, problems := ReadOrders("f.csv", b)
		again, problemsAgain := ReadOrders("f.csv", b)
		if !slices.Equal(problems, problemsAgain) || o.Len() != again.Len() {
			t.Fatal("read twice, it says two things")
		}
		for _, p := range problems {
			if p.Text == "" || p.Line < 0 || p.Line > 0 && p.Column < 1 {
				t.Fatalf("problem %+v", p)
			}
		}
		for roll, x := range o.byRoll {
			for _, v := range []float64{x.Density, x.Width, x.Diameter} {
				if v < 0 || math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%+v", x)
				}
			}
			if roll == "" {
				t.Fatal("an order without a roll")
			}
		}
	})
}
