// Package check proves a recipe against the limits of its line. It finds all
// that is wrong, in a fixed order, and says of each what was got, what the
// limit is, where the limit stands in the configuration and what to do.
//
// It looks at the setpoints themselves and not at how they came about, so an
// operator's override passes through the same checks.
package check

import (
	"cmp"
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Context is what the checks know beyond the roll: what happened before and
// what an operator asked for. The zero value knows nothing.
type Context struct {
	Prev      *recipe.Setpoints // of the last accepted recipe, nil for none
	PrevSpec  string            // its wrap specification
	LastRoll  uint32            // highest roll number seen, 0 for none
	Duplicate bool              // the roll number already has an outcome
	HoldAll   bool              // an operator holds every roll
	// Confirmed are the findings that a named person confirmed for this request,
	// with the name of the person.
	Confirmed []Confirmation
}

// Confirmation is a named person's word that what a finding asks for is done.
type Confirmation struct {
	Code recipe.Code
	By   string
}

// Run appends all findings of a recipe to dst and returns it. It allocates
// nothing when there are none. ctx may be nil.
func Run(line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand, rec *recipe.Recipe, ctx *Context, dst []recipe.Finding) []recipe.Finding {
	r := run{line: line, roll: roll, stand: stand, rec: rec, dst: dst}
	if ctx != nil {
		r.ctx = *ctx
	}
	r.spec, r.specName = line.SpecOf(roll)
	if !rec.Has(recipe.RollInvalid) {
		r.wrapperWindow()
	}
	r.identity()
	r.scan()
	r.order()
	r.interlocks()
	r.problems()
	r.slot()
	r.stock()
	r.wrap()
	r.lie()
	r.crimp()
	r.drives()
	r.heads()
	r.glue()
	r.header()
	r.vacuum()
	r.centring()
	r.mass()
	r.step()
	return r.dst
}

// run is one pass of the checks.
type run struct {
	line  *recipe.Line
	roll  *recipe.Roll
	stand *recipe.Stand
	rec   *recipe.Recipe
	ctx   Context
	dst   []recipe.Finding

	spec        *recipe.Spec // nil when not known
	specName    string
	candidate   recipe.Candidate // the slot taken, where candidateOK says so
	candidateOK bool
	window      recipe.Window
	windowKnown bool
}

// wrapperWindow finds how the slot taken serves the roll, and the window of the overhang.
func (r *run) wrapperWindow() {
	n := r.slotTaken()
	r.candidate, r.candidateOK = recipe.CandidateOf(r.line, r.roll, r.stand, n)
	if r.candidateOK && r.candidate.Judged() {
		r.window, r.windowKnown = r.candidate.Window, true
		return
	}
	r.window, r.windowKnown = recipe.WrapperWindow(r.line, r.roll, n)
}

// add appends a finding. key is the configuration key of the limit, empty
// where no setting decides.
func (r *run) add(code recipe.Code, field, got, limit, key string, said wording.Said) {
	r.dst = append(r.dst, recipe.Finding{
		Code:     code,
		Severity: info(code).Severity,
		Field:    field,
		Got:      got,
		Limit:    limit,
		Where:    r.where(key),
	}.Saying(said))
}

// confirmedBy is the person who confirmed that what a finding asks for is done.
func (r *run) confirmedBy(code recipe.Code) (by string, ok bool) {
	for _, c := range r.ctx.Confirmed {
		if c.Code == code {
			return c.By, true
		}
	}
	return "", false
}

// where is the origin of a key, or of the first entry of a list.
func (r *run) where(key string) string {
	if key == "" {
		return ""
	}
	return cmp.Or(r.line.Origins.Of(key), r.line.Origins.Of(key+".0"))
}

// The dimensions of what is written in findings.
const (
	metres  = quantity.Length
	seconds = quantity.Time
	celsius = quantity.Temperature
	kelvins = quantity.TemperatureDifference
	hertz   = quantity.Frequency
	speed   = quantity.Speed
	pascals = quantity.Pressure
	kilos   = quantity.Mass
	pure    = quantity.None
)

// write gives a quantity with its unit, as the people of the line read it.
func (r *run) write(d quantity.Dimension, v float64) string { return r.line.Write(v, d) }

// span is the interval in words.
func (r *run) span(d quantity.Dimension, s recipe.Range) wording.Said {
	return wording.Say("span", "from", r.write(d, s.Min), "to", r.write(d, s.Max))
}

// limit is an interval that a value must keep with its guard band.
type limit struct {
	code  recipe.Code
	field string
	kind  quantity.Dimension
	key   string
	of    *recipe.Setpoint // nil for what was measured
}

// limitOf is the configured limit of a setpoint.
func limitOf(code recipe.Code, setpoint string) limit {
	p := recipe.SetpointOf(setpoint)
	return limit{code, p.Name, p.Dimension, p.Limit.Key, p}
}

// keeps checks a setpoint against its limit.
func (r *run) keeps(l *limit) {
	r.within(l, l.of.Get(&r.rec.Setpoints), l.of.U(r.rec), l.of.Limit.Of(r.line))
}

// within checks v ± k·u against an interval (JCGM 106, guarded acceptance).
func (r *run) within(l *limit, v, u float64, span recipe.Range) {
	guard := r.line.Limits.GuardK * u
	// Rounding may carry a value that was set to its limit beyond it.
	slack := rounding * math.Abs(v)
	if v-guard >= span.Min-slack && v+guard <= span.Max+slack {
		return
	}
	got := r.write(l.kind, v)
	if guard > 0 {
		got += " ± " + r.write(l.kind, guard)
	}
	r.add(l.code, l.field, got, r.span(l.kind, span).String(), l.key,
		wording.Say("finding."+string(l.code), "got", got, "limit", r.span(l.kind, span)))
}

func integer(v int64) string { return strconv.FormatInt(v, 10) }
