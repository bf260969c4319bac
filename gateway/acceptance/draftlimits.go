package acceptance

import (
	"fmt"
	"math"

	"lapgate/recipe"
	"lapgate/recipe/check"
)

// limits has a roll on each side of each limit that its scan alone reaches.
func (d *draft) limits() {
	l := &d.line.Limits
	// A scan sees an oval roll up to a twentieth rounder than it is, or a
	// millimetre or two more oval.
	const (
		seen  = 0.95
		noise = 2 * 2 * scatterDiameter
		edge  = 1 - 1.0/36 // share of a telescoped end that the samples differ by
		clear = 0.002      // m
	)
	more := noise / d.usual.Diameter
	d.pair(check.ScanOvality, "ovality", l.MaxOvality-more, l.MaxOvality/seen+more, func(r *Roll) *float64 { return &r.Ovality })
	d.pair(check.ScanTelescoped, "telescoping", l.Telescope-clear, l.Telescope/edge+clear, func(r *Roll) *float64 { return &r.Telescoping })
	d.pair(check.ScanWidthSpread, "width-spread", l.MaxSpread-clear, l.MaxSpread/edge+clear, func(r *Roll) *float64 { return &r.Telescoping })
	const wait = 4 // s that a roll may have to wait for its offer
	d.pair(check.ScanStale, "scan-age", l.MaxScanAge-wait, l.MaxScanAge+1, func(r *Roll) *float64 { return &r.ScanAge })
	// One sample in twelve and one in six may be sorted out as outliers.
	d.pair(check.ScanQuality, "quality", math.Ceil(100*l.MinQuality/0.9)/100, math.Floor(100*l.MinQuality-1)/100, func(r *Roll) *float64 { return &r.Quality })
}

// pair has a roll that goes and one that is held with a code, with one value of each.
// A limit that cannot be reached, or only together with another one, has no step.
func (d *draft) pair(code recipe.Code, name string, inside, outside float64, value func(*Roll) *float64) {
	in, out := d.usual, d.usual
	*value(&in), *value(&out) = math.Round(inside*1e4)/1e4, math.Round(outside*1e4)/1e4
	if inside > 0 && d.stands(in, said{}) {
		d.add(name+"-inside", in, Expected{Verdict: Go}, fmt.Sprintf("just inside of what %s allows", code))
	}
	if outside > 0 && d.stands(out, said{code: code}) {
		d.add(name+"-outside", out, Expected{Verdict: Hold, Codes: []string{string(code)}}, "just outside of it")
	}
}

// persons has what people and the controller do: a hold of every roll, permissives
// that are off, codes that nobody knows.
func (d *draft) persons() {
	d.add("operator-hold", d.usual, Expected{Verdict: Hold, Codes: []string{string(check.OperatorHold)}}, "a person has the gateway hold every roll").Act = HoldAll
	for bit := range 32 {
		r := d.usual
		if r.Permissive = bit + 1; d.line.Limits.Permissives>>bit&1 == 1 {
			d.add(fmt.Sprintf("permissive-%d-off", bit+1), r, Expected{Verdict: Hold, Codes: []string{string(check.PermissiveOff)}}, "put right, and tried again")
		}
	}
	r := d.usual
	r.Grade = UnknownGrade(d.line)
	d.add("grade-unknown", r, Expected{Verdict: Hold, Codes: []string{string(recipe.GradeUnknown)}}, "a code that no configuration has")
	r = d.usual
	r.Core = UnknownCore(d.line)
	d.add("core-unknown", r, Expected{Verdict: Hold, Codes: []string{string(recipe.CoreUnknown)}}, "a code that no configuration has")
}

// UnknownGrade is a code that no grade of the line has.
func UnknownGrade(line *recipe.Line) int {
	code := 1
	for _, g := range line.Materials.Grades {
		code = max(code, g.Code+1)
	}
	return code
}

// UnknownCore is a code that no core of the line has.
func UnknownCore(line *recipe.Line) int {
	code := 1
	for _, c := range line.Materials.Cores {
		code = max(code, c.Code+1)
	}
	return code
}
