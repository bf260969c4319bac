package scan

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// maxOrderFile is the greatest size of a file of orders, in bytes: 100,000
// rolls and more.
const maxOrderFile = 32 << 20

// Orders are the orders in force, by the identity of the roll. It never
// changes; a folder that changed gives another.
type Orders struct {
	byRoll map[string]recipe.Order
}

// Find returns the order of a roll, by its tag.
func (o *Orders) Find(tag string) (recipe.Order, bool) {
	x, ok := o.byRoll[tag]
	return x, ok
}

// Len is the number of orders.
func (o *Orders) Len() int { return len(o.byRoll) }

// OrderProblem is one thing that is wrong with a file of orders.
type OrderProblem struct {
	File         string
	Line, Column int // of the text, from 1; 0 for the file as a whole
	Text         string
}

// Error is the problem as file:line:column: text.
func (p OrderProblem) Error() string {
	if p.Line == 0 {
		return fmt.Sprintf("%s: %s", p.File, p.Text)
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Text)
}

// Folder is a folder into which the mill's system drops files of orders, all
// those named *.csv. They are taken as one whole or not at all: while one of
// them is half written or has anything wrong, the orders stay as they were.
// Poll is for one goroutine; Orders may be called by any.
type Folder struct {
	fsys    fs.FS
	seen    []stamp // at the poll before, nil before the first
	judged  []stamp // that were read last, whatever came of it
	read    bool
	current atomic.Pointer[Orders]
}

// stamp is what a file looks like from outside.
type stamp struct {
	name string
	size int64
	time time.Time
}

// NewFolder returns a folder without orders; Poll reads them.
func NewFolder(fsys fs.FS) *Folder {
	f := &Folder{fsys: fsys}
	f.current.Store(&Orders{})
	return f
}

// Orders returns the orders in force.
func (f *Folder) Orders() *Orders { return f.current.Load() }

// Poll looks whether the folder changed, and reads it when it has not changed
// any more since the last poll, so that a file still being written is left
// alone. It reports whether other orders are in force now. The error tells all
// problems at once, each an OrderProblem but for a folder that cannot be read;
// the same files are not reported again.
func (f *Folder) Poll() (changed bool, err error) {
	now, err := f.list()
	if err != nil {
		return false, err
	}
	still := f.seen != nil && slices.Equal(now, f.seen)
	f.seen = now
	if !still || f.read && slices.Equal(now, f.judged) {
		return false, nil
	}
	orders, problems, whole, err := f.load(now)
	if err != nil || !whole {
		return false, err
	}
	f.judged, f.read = now, true
	if len(problems) > 0 {
		errs := make([]error, len(problems))
		for i, p := range problems {
			errs[i] = p
		}
		return false, errors.Join(errs...)
	}
	f.current.Store(orders)
	return true, nil
}

func (f *Folder) list() ([]stamp, error) {
	entries, err := fs.ReadDir(f.fsys, ".")
	if err != nil {
		return nil, fmt.Errorf("folder of orders: %w; the orders stay as they were", err)
	}
	out := []stamp{}
	for _, e := range entries {
		if e.IsDir() || strings.ToLower(path.Ext(e.Name())) != ".csv" {
			continue
		}
		info, err := fs.Stat(f.fsys, e.Name())
		if errors.Is(err, fs.ErrNotExist) {
			continue // gone since; the next poll sees it
		}
		if err != nil {
			return nil, fmt.Errorf("folder of orders: %w; the orders stay as they were", err)
		}
		out = append(out, stamp{e.Name(), info.Size(), info.ModTime()})
	}
	return out, nil
}

// load reads all files. It is not whole when one of them changes or goes while
// it is read.
func (f *Folder) load(files []stamp) (o *Orders, problems []OrderProblem, whole bool, err error) {
	t := &table{orders: map[string]recipe.Order{}, places: map[string]string{}}
	for _, s := range files {
		if s.size > maxOrderFile {
			t.tooLarge(s.name, s.size)
			continue
		}
		b, err := fs.ReadFile(f.fsys, s.name)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil, false, nil
		}
		if err != nil {
			return nil, nil, false, fmt.Errorf("folder of orders: %w; the orders stay as they were", err)
		}
		if int64(len(b)) != s.size {
			return nil, nil, false, nil
		}
		t.add(s.name, b)
	}
	return &Orders{t.orders}, t.problems, true, nil
}

// ReadOrders reads one file of orders. It returns all problems; the orders are
// of use only when there are none.
//
// The first line names the columns, in any order: roll is needed; order,
// grade, density, width, diameter, spec and destination may be left out, as
// may their values. Quantities have their unit in each cell, "1602 mm", or in
// the name of the column, "width [mm]".
func ReadOrders(name string, b []byte) (*Orders, []OrderProblem) {
	t := &table{orders: map[string]recipe.Order{}, places: map[string]string{}}
	if len(b) > maxOrderFile {
		t.tooLarge(name, int64(len(b)))
	} else {
		t.add(name, b)
	}
	return &Orders{t.orders}, t.problems
}

// table gathers the orders of all files.
type table struct {
	orders   map[string]recipe.Order
	places   map[string]string // where each was found
	problems []OrderProblem
}

func (t *table) fail(file string, line, column int, format string, args ...any) {
	t.problems = append(t.problems, OrderProblem{file, line, column, fmt.Sprintf(format, args...)})
}

func (t *table) tooLarge(file string, size int64) {
	t.fail(file, 0, 0, "%d bytes, want at most %d; split the file", size, maxOrderFile)
}

var bom = []byte("\uFEFF")

func (t *table) add(file string, b []byte) {
	if !utf8.Valid(b) || bytes.IndexByte(b, 0) >= 0 {
		t.fail(file, 0, 0, "it is not UTF-8 text; save it as CSV in UTF-8")
		return
	}
	if len(b) == 0 || b[len(b)-1] != '\n' {
		t.fail(file, 0, 0, "the last line has no end, so the file is half written; end each line, and move a file in when it is whole")
		return
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b, bom)))
	r.FieldsPerRecord = -1
	r.ReuseRecord = true
	var columns []column
	known := false
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var bad *csv.ParseError
		if errors.As(err, &bad) {
			t.fail(file, bad.Line, bad.Column, "%v; put a cell that holds quotes or commas in quotes, and double the quotes in it", bad.Err)
			if !known {
				return
			}
			continue
		}
		if err != nil {
			t.fail(file, 0, 0, "%v", err)
			return
		}
		at := func(i int) (line, col int) { return r.FieldPos(i) }
		if !known {
			if columns, known = t.header(file, cells, at); !known {
				return
			}
			continue
		}
		t.row(file, columns, cells, at)
	}
	if !known {
		t.fail(file, 1, 1, "the file is empty, want a line that names the columns: roll, …")
	}
}

// column is one column of a file.
type column struct {
	name      string
	dimension quantity.Dimension // "" for text and numbers
	unit      string             // from the header, "" when each cell has its own
}

var columnKinds = []column{
	{name: "roll"}, {name: "order"}, {name: "grade"},
	{name: "density", dimension: quantity.Density},
	{name: "width", dimension: quantity.Length},
	{name: "diameter", dimension: quantity.Length},
	{name: "spec"}, {name: "destination"},
}

func (t *table) header(file string, cells []string, at func(int) (int, int)) ([]column, bool) {
	before := len(t.problems)
	if len(cells) == 1 && strings.Contains(cells[0], ";") {
		t.fail(file, 1, 1, "the columns are parted by semicolons, want commas; save it as CSV with commas")
		return nil, false
	}
	var names []string
	for _, k := range columnKinds {
		names = append(names, k.name)
	}
	out := make([]column, len(cells))
	for i, cell := range cells {
		line, col := at(i)
		name, unit, _ := strings.Cut(cell, "[")
		name = strings.ToLower(strings.TrimSpace(name))
		unit = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(unit), "]"))
		k := slices.Index(names, name)
		if k < 0 {
			t.fail(file, line, col, "column %q is not known; use %s", cell, strings.Join(names, ", "))
			continue
		}
		if slices.ContainsFunc(out[:i], func(c column) bool { return c.name == name }) {
			t.fail(file, line, col, "column %s stands twice; leave one out", name)
			continue
		}
		out[i] = columnKinds[k]
		out[i].unit = unit
		if unit == "" {
			continue
		}
		if out[i].dimension == "" {
			t.fail(file, line, col, "column %s has a unit, %q, and no quantity; leave the unit out", name, unit)
		} else if _, err := quantity.Parse("1 "+unit, out[i].dimension); err != nil {
			t.fail(file, line, col, "column %s: %v", name, err)
		}
	}
	if !slices.ContainsFunc(out, func(c column) bool { return c.name == "roll" }) {
		t.fail(file, 1, 1, "no column roll; orders are found by the tag of their roll")
	}
	return out, len(t.problems) == before
}

func (t *table) row(file string, columns []column, cells []string, at func(int) (int, int)) {
	before := len(t.problems)
	line, _ := at(0)
	if len(cells) != len(columns) {
		t.fail(file, line, 1, "%d cells, want %d as the first line names", len(cells), len(columns))
		return
	}
	var roll string
	var rollCol int
	var o recipe.Order
	for i, c := range columns {
		cell := strings.TrimSpace(cells[i])
		cellLine, col := at(i)
		bad := func(err error) { t.fail(file, cellLine, col, "%s: %v", c.name, err) }
		if c.dimension != "" {
			v, err := c.quantity(cell)
			if err != nil {
				bad(err)
			}
			switch c.name {
			case "density":
				o.Density = v
			case "width":
				o.Width = v
			case "diameter":
				o.Diameter = v
			}
			continue
		}
		switch c.name {
		case "roll":
			roll, rollCol = strings.Clone(cell), col
			if cell == "" {
				bad(errors.New("empty, want the tag of the roll"))
			}
		case "order":
			o.ID = strings.Clone(cell)
		case "spec":
			o.Spec = strings.Clone(cell)
		case "destination":
			o.Destination = strings.Clone(cell)
		case "grade":
			if cell == "" {
				continue
			}
			n, err := strconv.ParseUint(cell, 10, 16)
			if err != nil {
				bad(fmt.Errorf("%q is not a grade code, want a whole number up to 65535", cell))
			}
			o.Grade = int(n)
		}
	}
	if len(t.problems) > before {
		return
	}
	place := fmt.Sprintf("%s:%d", file, line)
	if first, ok := t.places[roll]; ok {
		t.fail(file, line, rollCol, "roll: %q stands already at %s; leave one of them out", roll, first)
		return
	}
	t.orders[roll], t.places[roll] = o, place
}

// quantity reads a cell; an empty one is 0, not ordered.
func (c column) quantity(cell string) (float64, error) {
	if cell == "" {
		return 0, nil
	}
	text := cell
	if c.unit != "" {
		text += " " + c.unit
	}
	v, err := quantity.Parse(text, c.dimension)
	if err != nil {
		return 0, err
	}
	if v <= 0 {
		return 0, fmt.Errorf("%q is not above zero; leave the cell empty when nothing is ordered", cell)
	}
	return v, nil
}
