// Package acceptance is the proof that a line does what its configuration
// promises: a plan of steps, each with a roll, what is done to it and what is
// expected; what was observed of each, read from the journal; and the report that
// people sign. Whoever runs the steps, on the simulator or on a bench, stands
// outside.
package acceptance

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/notice"
	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
)

// Act is what is done in a step besides the roll that comes.
type Act string

// The acts.
const (
	Wrap    Act = "wrap" // nothing: the line wraps the roll, or it is held
	HoldAll Act = "hold" // before the roll comes a person has the gateway hold every roll, until it left
)

// Verdict is what a step expects of the gateway.
type Verdict string

// The verdicts.
const (
	Go      Verdict = "go"      // its recipe is accepted and the roll wrapped as told
	Hold    Verdict = "hold"    // the first offer is a hold with a certain code
	Either  Verdict = "either"  // go or hold; what was wrapped by a recipe is good
	None    Verdict = "none"    // no recipe of the gateway is accepted
	Noticed Verdict = "noticed" // the record of the rolls shows a fault of the process
)

// Opinion is what the simulator, which shares no code with the gateway, says of a
// finished wrap.
type Opinion string

// The opinions.
const (
	Good Opinion = "good"
	Bad  Opinion = "bad" // of one roll of the step at least
	Any  Opinion = "any"
)

// Roll is the roll of a step as it truly is, SI.
type Roll struct {
	Tag                         string
	Diameter, Width             float64
	Grade, Core                 int // codes, 0 none
	Ovality, Taper, Telescoping float64
	ScanAge                     float64 // s that its first scan is already old
	Quality                     float64 // of its scans, 0 to 1; 0 for that of the scanner
	Permissive                  int     // number of the permissive that is off when it asks, from 1; 0 for none
	Count                       int     // of such rolls, one after the other
}

// Expected is what a step wants.
type Expected struct {
	Verdict Verdict `json:"verdict"`
	// Codes are of a finding for a hold, of a notice for what is noticed; one of them
	// has to come up.
	Codes   []string `json:"codes,omitempty"`
	Outcome string   `json:"outcome,omitempty"` // of the roll; empty for any, but for a go, which wants it wrapped
	Judged  Opinion  `json:"judged,omitempty"`  // empty: good for what a recipe was accepted for, any for others
}

// Step is one row of a plan.
type Step struct {
	Name     string
	Act      Act
	Roll     Roll
	Fault    FaultName // none for the zero value
	Expected Expected
	Note     string
}

// FaultName is a fault of the simulator in a plan: of the wire as NAME@POINT or
// NAME, of the process as NAME=STRENGTH.
type FaultName struct {
	Name, Point string
	Strength    float64
}

// String is the fault as a plan has it.
func (f FaultName) String() string {
	switch {
	case f.Point != "":
		return f.Name + "@" + f.Point
	case f.Strength > 0:
		return f.Name + "=" + strconv.FormatFloat(f.Strength, 'g', -1, 64)
	}
	return f.Name
}

// Fault is a fault that a plan may have.
type Fault struct {
	Name, What string
	Points     []string // in the life of a roll, of one of the wire
	Process    bool     // it stands, for all rolls of its step
}

// The columns of a plan.
const (
	columnStep = iota
	columnAct
	columnRoll
	columnRolls
	columnDiameter
	columnWidth
	columnGrade
	columnCore
	columnOvality
	columnTaper
	columnTelescoping
	columnScanAge
	columnQuality
	columnPermissive
	columnFault
	columnVerdict
	columnCode
	columnOutcome
	columnJudged
	columnNote
)

func columns() []table.Column {
	return []table.Column{
		columnStep:        {Name: "step", Required: true, Unique: true},
		columnAct:         {Name: "act"},
		columnRoll:        {Name: "roll", Required: true, Unique: true},
		columnRolls:       {Name: "rolls"},
		columnDiameter:    {Name: "diameter", Dimension: quantity.Length, Required: true},
		columnWidth:       {Name: "width", Dimension: quantity.Length, Required: true},
		columnGrade:       {Name: "grade"},
		columnCore:        {Name: "core"},
		columnOvality:     {Name: "ovality"},
		columnTaper:       {Name: "taper"},
		columnTelescoping: {Name: "telescoping", Dimension: quantity.Length},
		columnScanAge:     {Name: "scan_age", Dimension: quantity.Time},
		columnQuality:     {Name: "quality"},
		columnPermissive:  {Name: "permissive_off"},
		columnFault:       {Name: "fault"},
		columnVerdict:     {Name: "verdict", Required: true},
		columnCode:        {Name: "code"},
		columnOutcome:     {Name: "outcome"},
		columnJudged:      {Name: "judged"},
		columnNote:        {Name: "note"},
	}
}

const (
	longestTag  = 16  // characters of the tag of a roll
	mostRolls   = 99  // of one step
	largestSize = 6.5 // m, that the samples of a request have room for
)

// Read reads a plan; name is what messages call it. The error tells of every
// problem with its place.
func Read(name string, in io.Reader, m *recipe.Materials, faults []Fault) ([]Step, error) {
	r := reader{table.NewReader(name, in, columns()), faults}
	var steps []Step
	for r.Next() {
		steps = append(steps, r.step(m, len(steps) == 0))
	}
	r.NeedRows("steps")
	if err := r.Err(); err != nil {
		return nil, err
	}
	return steps, nil
}

// reader reads the rows of a plan.
type reader struct {
	*table.Reader
	faults []Fault
}

func (r reader) step(m *recipe.Materials, first bool) Step {
	s := Step{Name: strings.Clone(r.Text(columnStep)), Note: strings.Clone(r.Text(columnNote))}
	s.Act = Act(r.word(columnAct, string(Wrap), string(Wrap), string(HoldAll)))
	if first && s.Act == HoldAll {
		r.Fail(columnAct, table.Problem{Text: "the first step cannot be a hold of every roll, for the line has to run before", Remedy: "begin with a roll that is wrapped"})
	}
	s.Roll = r.roll(m)
	s.Fault = r.fault()
	s.Expected = r.expected()
	return s
}

// word is a cell that has one of some words.
func (r reader) word(column int, unnamed string, words ...string) string {
	text := r.Text(column)
	if text == "" {
		return unnamed
	}
	if !slices.Contains(words, text) {
		r.Fail(column, table.Problem{Text: "the word is not known", Got: strconv.Quote(text), Want: "one of " + strings.Join(words, ", ")})
	}
	return strings.Clone(text)
}

func (r reader) roll(m *recipe.Materials) (x Roll) {
	x.Tag, x.Count = strings.Clone(r.Text(columnRoll)), 1
	if n, ok := r.Whole(columnRolls, 1, mostRolls); ok {
		x.Count = n
	}
	longest := longestTag
	if x.Count > 1 {
		longest -= len("-99")
	}
	strange := func(c rune) bool { return c < ' ' || c > '~' }
	if len(x.Tag) > longest || strings.ContainsFunc(x.Tag, strange) {
		r.Fail(columnRoll, table.Problem{Text: "it is no tag of a roll", Got: strconv.Quote(x.Tag), Want: fmt.Sprintf("1 to %d printable ASCII characters", longest)})
	}
	for _, q := range []struct {
		column      int
		least, most float64
		to          *float64
	}{
		{columnDiameter, 0.05, largestSize, &x.Diameter}, {columnWidth, 0.02, largestSize, &x.Width},
		{columnOvality, 0, 0.5, &x.Ovality}, {columnTaper, -0.2, 0.2, &x.Taper}, {columnTelescoping, 0, 0.3, &x.Telescoping},
		{columnScanAge, 0, 600, &x.ScanAge}, {columnQuality, 0, 1, &x.Quality},
	} {
		*q.to, _ = r.Within(q.column, q.least, q.most)
	}
	var gradeErr, coreErr error
	if x.Grade, gradeErr = m.GradeCode(r.Text(columnGrade)); gradeErr != nil {
		r.Fail(columnGrade, table.Problem{Text: gradeErr.Error()})
	}
	if x.Core, coreErr = m.CoreCode(r.Text(columnCore)); coreErr != nil {
		r.Fail(columnCore, table.Problem{Text: coreErr.Error()})
	}
	x.Permissive, _ = r.Whole(columnPermissive, 1, 32)
	return x
}

func (r reader) fault() (f FaultName) {
	text := r.Text(columnFault)
	if text == "" {
		return f
	}
	name, point, atPoint := strings.Cut(text, "@")
	name, strength, strong := strings.Cut(name, "=")
	f.Name, f.Point = strings.Clone(name), strings.Clone(point)
	i := slices.IndexFunc(r.faults, func(x Fault) bool { return x.Name == name })
	switch {
	case i < 0:
		var names []string
		for _, x := range r.faults {
			names = append(names, x.Name)
		}
		r.Fail(columnFault, table.Problem{Text: "no fault has this name", Got: strconv.Quote(name), Want: "one of " + strings.Join(names, ", ")})
	case atPoint && !slices.Contains(r.faults[i].Points, point):
		r.Fail(columnFault, table.Problem{Text: "the fault cannot occur there", Got: strconv.Quote(point), Want: "one of " + strings.Join(r.faults[i].Points, ", ")})
	case r.faults[i].Process:
		v, err := strconv.ParseFloat(strength, 64)
		if f.Strength = v; err != nil || !(v > 0 && v <= 1) {
			r.Fail(columnFault, table.Problem{Text: "a fault of the process wants its strength", Got: strconv.Quote(text), Want: name + "= and a number above 0 and up to 1"})
		}
	case strong:
		r.Fail(columnFault, table.Problem{Text: "only a fault of the process has a strength", Got: strconv.Quote(text), Want: name + " or " + name + "@" + r.faults[i].Points[0]})
	}
	return f
}

func (r reader) expected() (e Expected) {
	e.Verdict = Verdict(r.word(columnVerdict, "", string(Go), string(Hold), string(Either), string(None), string(Noticed)))
	e.Outcome = r.word(columnOutcome, "", outcomes()...)
	e.Judged = Opinion(r.word(columnJudged, "", string(Good), string(Bad), string(Any)))
	for code := range strings.FieldsSeq(r.Text(columnCode)) {
		e.Codes = append(e.Codes, strings.Clone(code))
	}
	var known []string
	switch e.Verdict {
	case Hold:
		for _, c := range Holds() {
			known = append(known, string(c.Code))
		}
	case Noticed:
		for _, c := range notice.Codes() {
			known = append(known, string(c))
		}
	default:
		if len(e.Codes) > 0 {
			r.Fail(columnCode, table.Problem{Text: "only a hold and what is noticed have a code", Got: strconv.Quote(r.Text(columnCode)), Remedy: "leave the cell empty"})
		}
		return e
	}
	if len(e.Codes) == 0 {
		r.Fail(columnCode, table.Problem{Text: "the code is missing", Want: "one or more, parted by spaces, of which one has to come up"})
	}
	for _, code := range e.Codes {
		if !slices.Contains(known, code) {
			p := table.Problem{Text: "no such code of verdict " + string(e.Verdict), Got: strconv.Quote(code)}
			if near := quantity.Nearest(code, known); near != "" {
				p.Remedy = "did you mean " + near + "?"
			}
			r.Fail(columnCode, p)
		}
	}
	return e
}

// Holds are the codes of all findings that hold a roll, in the order of the checks.
func Holds() []check.CodeInfo {
	return slices.DeleteFunc(Findings(), func(c check.CodeInfo) bool { return c.Severity != recipe.Hold })
}

// Findings are the codes of all findings.
func Findings() []check.CodeInfo { return append(check.Codes(), cycle.Codes()...) }

// outcomes are the words for what may become of a roll.
func outcomes() []string {
	var words []string
	for o := handshake.Wrapped; o <= handshake.Lost; o++ {
		words = append(words, o.String())
	}
	return words
}

// Tags are those of the rolls of a step, in their order.
func (s *Step) Tags() []string {
	if s.Roll.Count <= 1 {
		return []string{s.Roll.Tag}
	}
	var tags []string
	for i := range s.Roll.Count {
		tags = append(tags, fmt.Sprintf("%s-%02d", s.Roll.Tag, i+1))
	}
	return tags
}

// Row is a step as a plan has it, to print.
type Row struct {
	Step        string   `json:"step"`
	Act         Act      `json:"act"`
	Roll        string   `json:"roll"`
	Rolls       int      `json:"rolls"`
	Diameter    float64  `json:"diameter_m"`
	Width       float64  `json:"width_m"`
	Grade       *int     `json:"grade"`
	Core        *int     `json:"core"`
	Ovality     *float64 `json:"ovality"`
	Taper       *float64 `json:"taper"`
	Telescoping *float64 `json:"telescoping_m"`
	ScanAge     *float64 `json:"scan_age_s"`
	Quality     *float64 `json:"quality"`
	Permissive  *int     `json:"permissive_off"`
	Fault       *string  `json:"fault"`
	Verdict     Verdict  `json:"verdict"`
	Code        *string  `json:"code"`
	Outcome     *string  `json:"outcome"`
	Judged      *Opinion `json:"judged"`
	Note        string   `json:"note"`
}

// Rows are the steps of a plan to print.
func Rows(steps []Step) []Row {
	rows := []Row{}
	for i := range steps {
		s := &steps[i]
		r, e := &s.Roll, &s.Expected
		rows = append(rows, Row{
			Step: s.Name, Act: s.Act, Roll: r.Tag, Rolls: max(r.Count, 1), Diameter: r.Diameter, Width: r.Width,
			Grade: given(r.Grade), Core: given(r.Core), Ovality: given(r.Ovality), Taper: given(r.Taper), Telescoping: given(r.Telescoping),
			ScanAge: given(r.ScanAge), Quality: given(r.Quality), Permissive: given(r.Permissive), Fault: given(s.Fault.String()),
			Verdict: e.Verdict, Code: given(strings.Join(e.Codes, " ")), Outcome: given(e.Outcome), Judged: given(e.Judged), Note: s.Note,
		})
	}
	return rows
}

// given is nil for the zero value, which an empty cell stands for.
func given[T comparable](v T) *T {
	if v == *new(T) {
		return nil
	}
	return &v
}
