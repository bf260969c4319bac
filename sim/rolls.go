package sim

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
)

// Roll is one roll as it truly is, and what goes wrong around it.
type Roll struct {
	Tag      string
	Diameter float64 // m, true mean
	Width    float64 // m
	Ovality  float64 // (largest − smallest diameter)/mean
	Grade    int
	Core     int

	ScanAge    float64 // s that the first scan is already old when the roll asks
	Permissive int     // 1 + the bit that is off when the roll asks, 0 none
}

// columns of a roll list; the first four must be there.
var columns = []string{"tag", "diameter_mm", "width_mm", "grade", "core", "ovality", "scan_age_s", "permissive_off"}

const requiredColumns = 4

// ReadRolls reads a roll list: CSV with a header line naming its columns,
// which are tag, diameter_mm, width_mm and grade, and as wanted core, ovality,
// scan_age_s and permissive_off (1 + the bit). All problems are reported at
// once, each with its line.
func ReadRolls(r io.Reader) ([]Roll, error) {
	cr := csv.NewReader(r)
	cr.TrimLeadingSpace = true
	head, err := cr.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("roll list is empty; the first line names the columns")
	}
	if err != nil {
		return nil, fmt.Errorf("roll list: %w", err)
	}
	at := make([]int, len(columns))
	for i := range at {
		at[i] = -1
	}
	var all []error
	for i, h := range head {
		known := false
		for j, c := range columns {
			if strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")) == c {
				known = true
				if at[j] >= 0 {
					all = append(all, fmt.Errorf("roll list line 1: column %s stands twice", c))
				}
				at[j] = i
			}
		}
		if !known {
			all = append(all, fmt.Errorf("roll list line 1: column %q is not known, want %s", h, strings.Join(columns, ", ")))
		}
	}
	for j, c := range columns[:requiredColumns] {
		if at[j] < 0 {
			all = append(all, fmt.Errorf("roll list line 1: column %s is missing", c))
		}
	}
	if all != nil {
		return nil, errors.Join(all...)
	}
	var rolls []Roll
	tags := map[string]int{}
	for {
		rec, err := cr.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			all = append(all, fmt.Errorf("roll list: %w", err))
			var pe *csv.ParseError
			if errors.As(err, &pe) && errors.Is(pe.Err, csv.ErrFieldCount) {
				continue
			}
			break
		}
		line, _ := cr.FieldPos(0)
		cell := func(col int) string {
			if at[col] < 0 {
				return ""
			}
			return strings.TrimSpace(rec[at[col]])
		}
		number := func(col int, lo, hi, missing float64) float64 {
			s := cell(col)
			if s == "" && col >= requiredColumns {
				return missing
			}
			v, err := strconv.ParseFloat(s, 64)
			if err != nil || !(v >= lo && v <= hi) {
				all = append(all, fmt.Errorf("roll list line %d: %s is %q, want a number from %g to %g", line, columns[col], s, lo, hi))
			}
			return v
		}
		whole := func(col int, lo, hi, missing float64) int {
			v := number(col, lo, hi, missing)
			if v != math.Trunc(v) {
				all = append(all, fmt.Errorf("roll list line %d: %s is %q, want a whole number", line, columns[col], cell(col)))
			}
			return int(v)
		}
		roll := Roll{
			Tag:        cell(0),
			Diameter:   number(1, 50, 6500, 0) / 1000,
			Width:      number(2, 20, 6500, 0) / 1000,
			Grade:      whole(3, 1, 65535, 0),
			Core:       whole(4, 1, 65535, 1),
			Ovality:    number(5, 0, 0.5, 0),
			ScanAge:    number(6, 0, 600, 0),
			Permissive: whole(7, 0, 6, 0),
		}
		if n := len(roll.Tag); n < 1 || n > 16 || !ascii(roll.Tag) {
			all = append(all, fmt.Errorf("roll list line %d: tag is %q, want 1 to 16 printable ASCII characters", line, roll.Tag))
		}
		if first, twice := tags[roll.Tag]; twice {
			all = append(all, fmt.Errorf("roll list line %d: tag %s stands already in line %d", line, roll.Tag, first))
		}
		tags[roll.Tag] = line
		rolls = append(rolls, roll)
	}
	if all != nil {
		return nil, errors.Join(all...)
	}
	if len(rolls) == 0 {
		return nil, errors.New("roll list holds no rolls below its header line")
	}
	return rolls, nil
}

func ascii(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

// DemoShift is a made-up shift of 40 rolls for the slots of DefaultConfig. It
// holds three situations that call for a hold: a width that no wrapper fits, a
// scan that is too old, and a permissive that is off when the roll asks.
func DemoShift(seed uint64) []Roll {
	c := DefaultConfig()
	return Shift(seed, 40, c.Stand.Slots, c.Habit.Overhang)
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
