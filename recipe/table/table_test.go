package table_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"

	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
)

const (
	roll = iota
	diameter
	width
	grade
	rolls
	quality
)

func columns() []table.Column {
	return []table.Column{
		roll:     {Name: "roll", Required: true, Unique: true},
		diameter: {Name: "diameter", Dimension: quantity.Length, Required: true},
		width:    {Name: "width", Dimension: quantity.Length},
		grade:    {Name: "grade"},
		rolls:    {Name: "rolls"},
		quality:  {Name: "quality"},
	}
}

func open(text string) *table.Reader {
	return table.NewReader("t.csv", strings.NewReader(text), columns())
}

// read reads every cell of a table by its kind.
func read(t *table.Reader) (rows []string) {
	for t.Next() {
		d, _ := t.Quantity(diameter)
		w, _ := t.Positive(width)
		n, ok := t.Whole(rolls, 1, 9)
		q, _ := t.Quantity(quality)
		if !t.Bad() {
			rows = append(rows, fmt.Sprintf("%d %s %.6g %.6g %s %d %v %g", t.Line(), t.Text(roll), d, w, t.Text(grade), n, ok, q))
		}
	}
	return rows
}

// Every table reads the same, however the program that saved it does it.
func TestOneSetOfRules(t *testing.T) {
	const want = "A-1 1.016 1 kraft, brown"
	for name, text := range map[string]string{
		"commas":            "roll,diameter (mm),width (m),grade\nA-1,1016,1,\"kraft, brown\"\n",
		"semicolons":        "roll;diameter (mm);width (m);grade\nA-1;1016;1;kraft, brown\n",
		"tabs":              "roll\tdiameter (mm)\twidth (m)\tgrade\nA-1\t1016\t1\tkraft, brown\n",
		"mark and CRLF":     "\ufeffroll,diameter (mm),width (m),grade\r\nA-1,1016,1,\"kraft, brown\"\r\n",
		"any order":         "grade,width (m),diameter (mm),roll\n\"kraft, brown\",1,1016,A-1\n",
		"capitals":          "Roll,Diameter (mm),WIDTH (m),Grade\nA-1,1016,1,\"kraft, brown\"\n",
		"space":             " roll , diameter  ( mm ), width (m) ,grade\n A-1 , 1016 ,1, \"kraft, brown\" \n",
		"units in cells":    "roll,diameter,width,grade\nA-1,40 in,1 m,\"kraft, brown\"\n",
		"comments":          "# a list; with, all kinds\tof marks\n\n#\"\nroll,diameter (mm),width (m),grade\nA-1,1016,1,\"kraft, brown\"\n",
		"empty rows":        "roll,diameter (mm),width (m),grade\n\n,,,\n  \nA-1,1016,1,\"kraft, brown\"\n,,,\n",
		"empty cell behind": "roll,diameter (mm),width (m),grade,rolls\nA-1,1016,1,\"kraft, brown\",\n",
	} {
		r := open(text)
		got := read(r)
		if err := r.Err(); err != nil || len(got) != 1 || !strings.Contains(got[0], want) {
			t.Errorf("%s: %q with %v, want %s", name, got, err, want)
		}
	}
}

// A comment is a line before the header; below it a roll may be named so.
func TestRowsThatBeginWithANumberSign(t *testing.T) {
	r := open("# a comment\nroll,diameter (mm)\n#7,1016\n# 8,1016\n9,1016\n")
	if got := read(r); len(got) != 3 || r.Err() != nil || !strings.HasPrefix(got[0], "3 #7 ") {
		t.Errorf("%q with %v, want three rows", got, r.Err())
	}
	r = open("roll,diameter (mm)\nA,1016\n# the end\n")
	if read(r); r.Err() == nil || !strings.Contains(r.Err().Error(), "t.csv:3:1: the row does not fit the header (got 1 cell, want 2 as in the header); a comment") {
		t.Errorf("a comment below the header: %v", r.Err())
	}
}

func TestQuotes(t *testing.T) {
	r := open("roll,diameter,grade\n\"A \"\"big\"\" one\",\"40 in\",\"\"\n")
	if got := read(r); r.Err() != nil || len(got) != 1 || !strings.HasPrefix(got[0], `2 A "big" one 1.016`) {
		t.Errorf("%q with %v", got, r.Err())
	}
}

func TestProblems(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string // the messages, one by one, each a part
	}{
		{"empty", "", []string{`t.csv: the table is empty (want a header that names the columns roll, diameter, width, grade, rolls, quality); begin with a line such as "roll,diameter (m)"`}},
		{"only comments", "# roll\n\n", []string{"t.csv: the table is empty"}},
		{"binary", "roll\x00,diameter\n", []string{"t.csv:1:1: the line is not text in UTF-8; save"}},
		{"two bytes a character", "\xff\xfer\x00o\x00l\x00l\x00\n\x00", []string{"t.csv:1:1: the line is not text in UTF-8"}},
		{"another encoding", "roll,diameter (mm)\nA,1\nR\xe9,1\n", []string{"t.csv:3:1: the line is not text in UTF-8"}},
		{"no line feeds", "roll,diameter (mm)\rA,1\r\n", []string{"t.csv:1:1: a carriage return stands in the line"}},
		{"cut in a row", "roll,diameter (mm)\nA,1016\nB,10", []string{"t.csv:3:1: the last line has no end, so the table may have been cut short; check the line and end it"}},
		{"long line", "roll,diameter (mm)\n" + strings.Repeat("x", 1<<17) + "\n", []string{"t.csv:2:1: the line is too long (want at most 65536 bytes)"}},
		{"unknown column", "roll,diametre (mm),diameter (mm),blue\n", []string{
			`t.csv:1:6: header: the column is not known (got "diametre (mm)", want any of roll, diameter, width, grade, rolls, quality); did you mean diameter?`,
			`t.csv:1:34: header: the column is not known (got "blue", want any of roll, diameter, width, grade, rolls, quality); leave it out`}},
		{"square brackets", "roll,diameter [mm]\n", []string{"t.csv:1:1: header: column diameter is missing; add it", `the column is not known (got "diameter [mm]", want any of roll, diameter, width, grade, rolls, quality); write "diameter (mm)"`}},
		{"unit as a suffix", "roll,diameter_mm\n", []string{"diameter is missing", `write "diameter (mm)"`}},
		{"unit behind a space", "roll,Diameter in\n", []string{"diameter is missing", `write "diameter (in)"`}},
		{"twice", "roll,diameter (mm),Roll\n", []string{"t.csv:1:20: header: column roll stands twice; leave one of them out"}},
		{"unit on text", "roll (m),diameter (mm)\n", []string{`t.csv:1:1: header: column roll has no unit (got "m"); leave the unit out`}},
		{"another unit", "roll,diameter (kg)\n", []string{`t.csv:1:6: header: column diameter: unit of another dimension (got "kg", want a unit of length); "kg" measures a mass`}},
		{"other separator", "roll,diameter (mm)\nA;1016\n", []string{"t.csv:2:1: the row does not fit the header (got 1 cell, want 2 as in the header)"}},
		{"decimal comma", "roll;diameter (mm)\nA;1016,5\nB;1,016\n", []string{
			`t.csv:2:3: diameter: decimal comma (got "1016,5", want a number, for the header has the unit mm); write 1016.5`,
			`t.csv:3:3: diameter: thousands separator (got "1,016"`}},
		{"decimal comma makes two cells", "roll,diameter (mm)\nA,1016,5\n", []string{"(got 3 cells, want 2 as in the header); write numbers with a decimal point"}},
		{"no unit", "roll,diameter\nA,1016\n", []string{`t.csv:2:3: diameter: bare number where a unit is needed (got "1016", want a length with its unit); add the unit`}},
		{"unit twice", "roll,diameter (in)\nA,40 in\n", []string{`t.csv:2:3: diameter: the unit stands in the header and in the cell (got "40 in", want a number, for the header has the unit in); keep one of them`}},
		{"cells by kind", "roll,diameter (mm),width (mm),rolls,quality\nA,x,0,10,\"0,5\"\n", []string{
			`t.csv:2:3: diameter: no number (got "x"`, `t.csv:2:5: width: it is not above zero (got "0"); leave the cell empty`,
			`t.csv:2:7: rolls: it is no number of this column (got "10", want a whole number from 1 to 9)`,
			`t.csv:2:10: quality: decimal comma (got "0,5", want a pure number); write 0.5`}},
		{"no strconv", "roll,diameter (mm),rolls\nA,1,T00004\n", []string{`t.csv:2:5: rolls: it is no number of this column (got "T00004", want a whole number from 1 to 9)`}},
		{"empty cells", "roll,diameter (mm)\n,1016\nA,\n", []string{"t.csv:2:1: roll: the cell is empty (want a value)", "t.csv:3:3: diameter: the cell is empty"}},
		{"same name", "roll,diameter (mm)\nA,1\nB,2\nA,3\n", []string{`t.csv:4:1: roll: it stands on line 2 too (got "A", want each once); leave one of them out`}},
		{"inches by a quote", "roll,diameter\nA,40\"\nB,40 in\nC,x\n", []string{"t.csv:2:5: a quote stands within a cell; put the whole cell in quotes", "t.csv:4:3: diameter"}},
		{"open quote", "roll,diameter\n\"A,40 in\nB,x\n", []string{"t.csv:2:1: the quote is not closed on its line", "t.csv:3:3: diameter"}},
		{"behind a quote", "roll,diameter\n\"A\"b,40 in\n", []string{"t.csv:2:4: text stands behind the closing quote"}},
		{"columns in characters", "roll,grade,diameter\nä,ö,x\n", []string{"t.csv:2:5: diameter"}},
		{"no rows", "roll,diameter (mm)\n", []string{"t.csv: the table has a header but no rolls; is it cut short?"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := open(c.text)
			read(r)
			r.NeedRows("rolls")
			var p *table.Problems
			if !errors.As(r.Err(), &p) {
				t.Fatalf("got %v, want problems", r.Err())
			}
			got := messages(p)
			if len(got) != len(c.want) || p.Len() != len(c.want) {
				t.Errorf("got %d problems, want %d:\n%v", len(got), len(c.want), p)
			}
			for i := range min(len(got), len(c.want)) {
				if !strings.Contains(got[i], c.want[i]) {
					t.Errorf("got  %s\nwant %s", got[i], c.want[i])
				}
			}
		})
	}
}

// messages are the problems without their quotes and the closing count.
func messages(p *table.Problems) []string {
	var out []string
	for line := range strings.SplitSeq(p.Error(), "\n") {
		if strings.HasPrefix(line, "t.csv") {
			out = append(out, line)
		}
	}
	return out
}

// Each problem quotes its line, and the caret stands under the cell, however long the
// line is and whatever separates it.
func TestProblemsPoint(t *testing.T) {
	long := strings.Repeat("x", 100)
	for _, c := range []struct{ text, want string }{
		{"roll,diameter (mm)\nA,x\n", "    A,x\n      ^\n1 problem"},
		{"roll\tdiameter (mm)\nä\tx\n", "    ä x\n      ^\n1 problem"},
		{"roll,diameter (mm)\n" + long + ",x\n", "    …" + strings.Repeat("x", 58) + ",x\n" + strings.Repeat(" ", 4+60) + "^\n1 problem"},
		{"roll,diameter (mm),grade\nA,x," + long + "\nB,y,1\n", "    A,x," + strings.Repeat("x", 56) + "…\n      ^\n" +
			"t.csv:3:3: diameter: no number (got \"y\", want a number, for the header has the unit mm); write the number alone\n    B,y,1\n      ^\n2 problems"},
		{"roll,diametre (mm)\n", "    roll,diametre (mm)\n         ^\n2 problems"},
	} {
		r := open(c.text)
		read(r)
		if got := r.Err().Error(); !strings.HasSuffix(got, c.want) {
			t.Errorf("%.40q: got\n%s\nwant at its end\n%s", c.text, got, c.want)
		}
	}
}

// What a measurement can be is told in the unit that was written.
func TestWithinTellsItsLimitsAsWritten(t *testing.T) {
	for text, want := range map[string]string{
		"roll,diameter (in)\nA,1\n": "want 2 in to 4 in",
		"roll,diameter\nA,1 mm\n":   "want 50.8 mm to 101.6 mm",
	} {
		r := open(text)
		r.Next()
		r.Within(diameter, 0.0508, 0.1016)
		if err := r.Err(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}

func TestProblemsAreBounded(t *testing.T) {
	r := open("roll,diameter (mm)\n" + strings.Repeat("x\n", 60))
	read(r)
	if s := r.Err().Error(); strings.Count(s, "\n") != 3*50+1 || !strings.HasSuffix(s, "\nt.csv: and 10 more\n60 problems") {
		t.Errorf("got %s", s)
	}
	r = open("roll," + strings.Repeat("y", 60000) + "\n")
	if s := r.Err().Error(); len(s) > 1000 {
		t.Errorf("a long cell is echoed in %d bytes", len(s))
	}
}

func TestInputFails(t *testing.T) {
	broken := errors.New("the disk is gone")
	r := table.NewReader("t.csv", io.MultiReader(strings.NewReader("roll,diameter (mm)\nA,x\n"), iotest.ErrReader(broken)), columns())
	read(r)
	if err := r.Err(); !errors.Is(err, broken) || !strings.Contains(err.Error(), "t.csv:2:3: diameter") {
		t.Errorf("got %v", err)
	}
}

// long is a table of many rows that is never held as a whole.
type long struct {
	rows, at int
	rest     string
}

func (l *long) Read(p []byte) (int, error) {
	if l.rest == "" {
		switch {
		case l.at > l.rows:
			return 0, io.EOF
		case l.at == 0:
			l.rest = "roll,diameter (mm),width (mm)\n"
		default:
			l.rest = fmt.Sprintf("R%07d,%d,%d\n", l.at, 900+l.at%400, 1000+l.at)
		}
		l.at++
	}
	n := copy(p, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}

// What is held of a long table is the digest of each name and little else.
func TestMemoryIsBounded(t *testing.T) {
	const n = 300_000
	heap := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := heap()
	r := table.NewReader("long", &long{rows: n}, columns())
	for r.Next() {
		if _, ok := r.Quantity(diameter); !ok {
			t.Fatal(r.Err())
		}
		r.Quantity(width)
	}
	after := heap()
	if r.Err() != nil || r.Rows() != n {
		t.Fatalf("%d rows with %v", r.Rows(), r.Err())
	}
	// 8 bytes of digest and 4 of line, in a map that is half empty at worst,
	// and the remembered quantities.
	if held := int64(after) - int64(before); held > 40*n+(4<<20) {
		t.Errorf("%d rows hold %d bytes", n, held)
	}
	runtime.KeepAlive(r)
}

func TestTableIsNotEndless(t *testing.T) {
	r := open("roll,diameter (mm)\n" + strings.Repeat("\n", 2_000_000) + "A,1016\n")
	read(r)
	if err := r.Err(); err == nil || err.Error() != "t.csv:2000001:1: the table is too long (want at most 2000000 lines); split it\n1 problem" {
		t.Errorf("got %v", err)
	}
}

// What the writer of encoding/csv writes comes back cell by cell, whatever the
// separator.
func TestWrittenTablesComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.RuneFrom([]rune("aß#\"',;\t 7")))
		comma := rapid.SampledFrom([]rune{',', ';', '\t'}).Draw(t, "separator")
		rows := rapid.SliceOfN(rapid.SliceOfN(text, 3, 3), 1, 8).Draw(t, "rows")
		var b strings.Builder
		w := csv.NewWriter(&b)
		w.Comma = comma
		if err := w.WriteAll(append([][]string{{"a", "b", "c"}}, rows...)); err != nil {
			t.Fatal(err)
		}
		r := table.NewReader("t", strings.NewReader(b.String()), []table.Column{{Name: "a"}, {Name: "b"}, {Name: "c"}})
		for _, row := range rows {
			if strings.TrimSpace(strings.Join(row, "")) == "" {
				continue // counts for nothing
			}
			if !r.Next() {
				t.Fatalf("%q: row %q is missing: %v", b.String(), row, r.Err())
			}
			for i := range row {
				if got := r.Text(i); got != strings.TrimSpace(row[i]) {
					t.Fatalf("%q: cell %d is %q, want %q", b.String(), i, got, row[i])
				}
			}
		}
		if r.Next() || r.Err() != nil {
			t.Fatalf("%q: a row too many, or %v", b.String(), r.Err())
		}
	})
}

// Whatever the bytes, a table ends with rows or problems, and a good row is
// what its columns ask for.
func FuzzReader(f *testing.F) {
	f.Add([]byte("roll,diameter (mm),width\nA,1016,1 m\n"))
	f.Add([]byte("\ufeffroll;diameter\r\nA;1,5 m\r\n"))
	f.Add([]byte("roll\tdiameter\n\"\n"))
	f.Add([]byte{'P', 'K', 3, 4, 0, 0, 255})
	f.Fuzz(func(t *testing.T, b []byte) {
		r := table.NewReader("f", strings.NewReader(string(b)), columns())
		seen := map[string]bool{}
		for r.Next() {
			d, _ := r.Quantity(diameter)
			w, _ := r.Positive(width)
			if r.Bad() {
				continue
			}
			name := r.Text(roll)
			if name == "" || seen[name] || d == 0 && !strings.Contains(r.Text(diameter), "0") || w < 0 || math.IsNaN(d+w) || math.IsInf(d+w, 0) {
				t.Fatalf("row %q was taken: %g, %g", name, d, w)
			}
			seen[name] = true
		}
		var p *table.Problems
		if err := r.Err(); err != nil && (!errors.As(err, &p) || p.Len() == 0) {
			t.Fatalf("error %v", err)
		}
		if r.Next() {
			t.Fatal("a row behind the end")
		}
	})
}
