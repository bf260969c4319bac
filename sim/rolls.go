package sim

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
)

// Roll is one roll as it truly is, and what goes wrong around it.
type Roll struct {
	Tag      string
	Diameter float64 // m, true mean
	Width    float64 // m
	Ovality  float64 // (largest − smallest diameter)/mean
	Taper    float64 // by how much the diameter grows from the left end to the right, for each m of width
	// Telescoping is how far the end stands out at the edge, m.
	Telescoping float64
	Grade       int
	Core        int

	ScanAge    float64 // s that the first scan is already old when the roll asks
	Permissive int     // 1 + the bit that is off when the roll asks, 0 none
}

// The columns of a list of rolls.
const (
	columnRoll = iota
	columnDiameter
	columnWidth
	columnGrade
	columnCore
	columnOvality
	columnTaper
	columnTelescoping
	columnScanAge
	columnPermissiveOff
)

func rollColumns() []listColumn {
	return []listColumn{
		columnRoll:          {name: "roll", required: true},
		columnDiameter:      {name: "diameter", units: lengths, required: true},
		columnWidth:         {name: "width", units: lengths, required: true},
		columnGrade:         {name: "grade", required: true},
		columnCore:          {name: "core"},
		columnOvality:       {name: "ovality"},
		columnTaper:         {name: "taper"},
		columnTelescoping:   {name: "telescoping", units: lengths},
		columnScanAge:       {name: "scan_age", units: times},
		columnPermissiveOff: {name: "permissive_off"},
	}
}

// largestRoll is the largest size in m that the request has room for.
const largestRoll = 6.5

// ReadRolls reads a list of rolls as they truly are, saved as CSV; name is what
// messages call it. The columns are roll, diameter, width and grade, and where
// wanted core, ovality, taper, telescoping, scan_age and permissive_off. Grade
// and core are a name or a code of the configuration; without a core it is the
// first one. All problems are told at once, each as name:line:column.
func (c *Config) ReadRolls(name string, in io.Reader) ([]Roll, error) {
	l := newRollList(name, in, rollColumns())
	var rolls []Roll
	seen := map[string]int{}
	for l.next() {
		r := c.rollOf(l)
		if first, twice := seen[r.Tag]; twice && r.Tag != "" {
			l.fail(columnRoll, fmt.Sprintf("roll %s stands on line %d too; leave one of them out", r.Tag, first))
		}
		seen[r.Tag] = l.line
		rolls = append(rolls, r)
	}
	if len(rolls) == 0 && len(l.problems) == 0 && l.broken == nil {
		l.problems = append(l.problems, name+": the list has a header but no rolls; is it cut short?")
	}
	if err := l.err(); err != nil {
		return nil, err
	}
	return rolls, nil
}

// rollOf reads one row.
func (c *Config) rollOf(l *rollList) Roll {
	r := Roll{Tag: l.text(columnRoll), Core: 1}
	if n := len(r.Tag); n > 16 || !ascii(r.Tag) {
		l.fail(columnRoll, fmt.Sprintf("the name of a roll has 1 to 16 printable ASCII characters (got %q)", r.Tag))
	}
	r.Diameter = l.number(columnDiameter, 0.05, largestRoll)
	r.Width = l.number(columnWidth, 0.02, largestRoll)
	r.Ovality = l.number(columnOvality, 0, 0.5)
	r.Taper = l.number(columnTaper, -0.2, 0.2)
	r.Telescoping = l.number(columnTelescoping, 0, 0.3)
	r.ScanAge = l.number(columnScanAge, 0, 600)
	if g := l.text(columnGrade); g != "" {
		i := slices.IndexFunc(c.Grades, func(x Grade) bool { return named(g, x.Name, x.Code) })
		if i < 0 {
			l.fail(columnGrade, fmt.Sprintf("no grade has this name or code (got %q)", g))
		} else {
			r.Grade = c.Grades[i].Code
		}
	}
	if len(c.Cores) > 0 {
		r.Core = c.Cores[0].Code
	}
	if k := l.text(columnCore); k != "" {
		i := slices.IndexFunc(c.Cores, func(x Core) bool { return named(k, x.Name, x.Code) })
		if i < 0 {
			l.fail(columnCore, fmt.Sprintf("no core has this name or code (got %q)", k))
		} else {
			r.Core = c.Cores[i].Code
		}
	}
	if off := l.text(columnPermissiveOff); off != "" {
		r.Permissive = 1 + slices.Index(PermissiveNames(), off)
		if r.Permissive == 0 {
			l.fail(columnPermissiveOff, fmt.Sprintf("no permissive has this name (got %q, want one of %s)", off, strings.Join(PermissiveNames(), ", ")))
		}
	}
	return r
}

// named reports whether text is the name or the code of something.
func named(text, name string, code int) bool { return text == name || text == strconv.Itoa(code) }

func ascii(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

// Shift makes up n rolls, 20 to 75 in wide and 20 to 60 in in diameter, that
// the wrappers at the slots fit with about the overhang given on each side;
// from five rolls on, three of them call for a hold.
func Shift(seed uint64, n int, slots []Slot, overhang float64) []Roll {
	rng := rand.New(rand.NewPCG(seed, 0x5111F7))
	rolls := make([]Roll, n)
	for i := range rolls {
		s := slots[rng.IntN(len(slots))]
		width := s.Width - 2*overhang + (rng.Float64()*2-1)*1.6*inch
		r := Roll{
			Tag:      fmt.Sprintf("M%02d-%05d", seed%100, 41001+i),
			Diameter: (21 + 38*rng.Float64()) * inch,
			Width:    min(max(width, 20*inch), 75*inch),
			Ovality:  0.004 * rng.Float64(),
			Grade:    1 + rng.IntN(3),
			Core:     1 + rng.IntN(2),
		}
		r.Diameter, r.Width = math.Round(r.Diameter*1e4)/1e4, math.Round(r.Width*1e4)/1e4
		rolls[i] = r
	}
	if n >= 5 {
		rolls[n/5].Width = misfit(slots, overhang)
		rolls[n*2/5].ScanAge = 180
		rolls[n*3/5].Permissive = 1 + Air
	}
	return rolls
}

// misfit is the width between 20 and 75 in that is furthest from what any slot
// would suit.
func misfit(slots []Slot, overhang float64) float64 {
	best, far := 0.0, -1.0
	for w := 20 * inch; w <= 75*inch; w += inch / 4 {
		near := math.Inf(1)
		for _, s := range slots {
			near = min(near, math.Abs(s.Width-2*overhang-w))
		}
		if near > far {
			best, far = w, near
		}
	}
	return math.Round(best*1e4) / 1e4
}
