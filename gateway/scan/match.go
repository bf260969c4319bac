package scan

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"lapgate/recipe"
	"lapgate/recipe/check"
)

// Codes of the findings of the scanner. A reading with such a finding is not
// used.
const (
	ReadingNoRoll               = check.ScannerNoRoll
	ReadingTwoRolls             = check.ScannerTwoRolls
	ReadingsDiffer              = check.ScannerDiffers
	ReadingsFlood   recipe.Code = "scanner-flood"
)

// MeasuredByScanner stands in Roll.MeasuredFrom when a value is the scanner's.
const MeasuredByScanner = "scanner"

// maxHeld is how many readings wait for their roll at once.
const maxHeld = 64

// Match is what became of a reading: the roll that it measured, or a Code that
// says why none is known.
type Match struct {
	Roll    uint32 // the roll's number, 0 with ReadingNoRoll, …TwoRolls and …Flood
	Reading Reading
	Code    recipe.Code
	Text    string
}

// Matcher matches readings to rolls by identity and time. A reading is of a
// roll when it bears its tag or its number, and the two came not further apart
// than the window, whichever was first. One that fits no roll, or two, is not
// used. All times are of one steady clock. It is not safe for concurrent use.
type Matcher struct {
	window   time.Duration
	rolls    []matched
	readings []heldReading
}

type matched struct {
	number  uint32
	tag     string
	at      time.Duration
	reading *Reading
}

type heldReading struct {
	Reading
	at time.Duration
}

// NewMatcher returns a matcher with a window, both ways.
func NewMatcher(window time.Duration) *Matcher { return &Matcher{window: window} }

// Roll says that a roll was measured at the station. The same roll again is a
// new measurement, and earlier readings of it no longer count.
func (m *Matcher) Roll(at time.Duration, number uint32, tag string) []Match {
	out := m.Tick(at)
	m.rolls = slices.DeleteFunc(m.rolls, func(r matched) bool { return r.number == number })
	m.rolls = append(m.rolls, matched{number: number, tag: tag, at: at})
	return append(out, m.matchHeld()...)
}

// Reading takes a reading.
func (m *Matcher) Reading(at time.Duration, r Reading) []Match {
	out := m.Tick(at)
	if len(m.readings) == maxHeld {
		out = append(out, Match{Reading: m.readings[0].Reading, Code: ReadingsFlood,
			Text: fmt.Sprintf("%d readings wait for their roll, and the oldest, of %q, was dropped; check the identity that the scanner sends", maxHeld, m.readings[0].Roll)})
		m.readings = slices.Delete(m.readings, 0, 1)
	}
	m.readings = append(m.readings, heldReading{r, at})
	return append(out, m.matchHeld()...)
}

// Tick says what time it is. It returns the readings whose roll did not come.
func (m *Matcher) Tick(at time.Duration) []Match {
	var out []Match
	m.readings = slices.DeleteFunc(m.readings, func(h heldReading) bool {
		if at-h.at <= m.window {
			return false
		}
		out = append(out, Match{Reading: h.Reading, Code: ReadingNoRoll,
			Text: fmt.Sprintf("the reading of %q fits no roll that came within %v; check the identity that the scanner sends, and its clock and place on the line", h.Roll, m.window)})
		return true
	})
	m.rolls = slices.DeleteFunc(m.rolls, func(r matched) bool { return at-r.at > m.window })
	return out
}

// matchHeld takes out the readings that fit a roll by now.
func (m *Matcher) matchHeld() []Match {
	var out []Match
	m.readings = slices.DeleteFunc(m.readings, func(h heldReading) bool {
		var fits []*matched
		for i := range m.rolls {
			if r := &m.rolls[i]; m.fits(h, r) {
				fits = append(fits, r)
			}
		}
		switch len(fits) {
		case 0:
			return false
		case 1:
			out = append(out, give(fits[0], h.Reading))
		default:
			out = append(out, Match{Reading: h.Reading, Code: ReadingTwoRolls,
				Text: fmt.Sprintf("the reading of %q fits roll %d (%s) and roll %d (%s); give each roll a tag of its own",
					h.Roll, fits[0].number, fits[0].tag, fits[1].number, fits[1].tag)})
		}
		return true
	})
	return out
}

func (m *Matcher) fits(h heldReading, r *matched) bool {
	if d := h.at - r.at; d > m.window || d < -m.window {
		return false
	}
	return h.Roll == r.tag && r.tag != "" || h.Roll == strconv.FormatUint(uint64(r.number), 10)
}

// give matches a reading to a roll, which may have had one.
func give(r *matched, reading Reading) Match {
	if r.reading == nil {
		r.reading = &reading
		return Match{Roll: r.number, Reading: reading}
	}
	if far(reading.Diameter, r.reading.Diameter) || far(reading.Width, r.reading.Width) {
		return Match{Roll: r.number, Reading: reading, Code: ReadingsDiffer,
			Text: fmt.Sprintf("roll %d (%s) was read twice, as %.4f × %.4f m and as %.4f × %.4f m; measure it again",
				r.number, r.tag, r.reading.Diameter, r.reading.Width, reading.Diameter, reading.Width)}
	}
	return Match{Roll: r.number, Reading: reading}
}

// far reports whether two measurements of one thing are too far apart, as
// samples and own value of the controller are; 0 is none.
func far(a, b float64) bool {
	return a != 0 && b != 0 && math.Abs(a-b) > math.Max(DifferRel*b, DifferAbs)
}

// Apply puts the values of a reading into a roll that the controller measured.
// They count as single readings. Where they are far from the controller's the
// roll's quality falls by DifferQuality. A roll without dimensions gets none:
// without the controller's own values no recipe may be given for it.
func (r Reading) Apply(roll *recipe.Roll) {
	if roll.MeasuredFrom == "" {
		return
	}
	if far(r.Diameter, roll.Diameter) || far(r.Width, roll.WidthMedian) {
		if !roll.SamplesDiffer {
			roll.Quality *= DifferQuality
		}
		roll.SamplesDiffer = true
	}
	u := math.Hypot(SingleReading, resolution)
	if r.Diameter != 0 {
		roll.DiameterMin, roll.DiameterMax = math.Min(roll.DiameterMin, r.Diameter), math.Max(roll.DiameterMax, r.Diameter)
		roll.Diameter, roll.DiameterU, roll.DiameterN = r.Diameter, u, 1
		roll.MeasuredFrom = MeasuredByScanner
	}
	if r.Width != 0 {
		roll.WidthMin, roll.WidthMax = math.Min(roll.WidthMin, r.Width), math.Max(roll.WidthMax, r.Width)
		roll.Width, roll.WidthMedian, roll.WidthU, roll.WidthN = r.Width, r.Width, u, 1
		roll.MeasuredFrom = MeasuredByScanner
	}
}
