package process

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"lapgate/gateway/present"
	"lapgate/recipe"
	"lapgate/recipe/calibrate"
	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
	"lapgate/recipe/thermal"
)

// Calibration estimates settings of a line from its record and from curves of a
// thermocouple. It is for one goroutine.
type Calibration struct {
	line     *recipe.Line
	prefix   string // of the line's keys in the configuration
	at, by   string
	press    calibrate.Press
	factor   float64 // of the conductance in the press to that at the reference pressure
	settings []setting
	not      []NotEstimated
}

// setting is one estimated setting.
type setting struct {
	key       string // full path in the configuration; empty where it is no setting
	what      string
	dimension quantity.Dimension
	unit      string // SI, where there is no dimension
	calibrate.Estimate
	spread float64 // from roll to roll, which the uncertainty to configure has in it
	dated  bool    // the configuration says when and by whom it was measured
}

// effusivity is the unit of the backing's.
const effusivity = "J/m2K√s"

// NotEstimated is a setting about which the rolls or curves do not tell.
type NotEstimated struct {
	What string `json:"what"`
	Why  string `json:"why"`
}

// NewCalibration begins a calibration of the line with this index in the
// configuration. The lines for the configuration name the date and the person
// who answers for the measurement.
func NewCalibration(line *recipe.Line, index int, at, by string) *Calibration {
	return &Calibration{line: line, prefix: fmt.Sprintf("lines.%d.", index), at: at, by: by, not: []NotEstimated{}}
}

func (c *Calibration) add(key, what string, d quantity.Dimension, e calibrate.Estimate) {
	c.settings = append(c.settings, setting{key: key, what: what, dimension: d, Estimate: e})
}

func (c *Calibration) cannot(what string, err error) {
	c.not = append(c.not, NotEstimated{what, err.Error()})
}

// Curve is the rise of a bond line by a thermocouple.
type Curve struct {
	Name   string // for errors
	Points []calibrate.Point
}

// ReadCurve reads a curve from a table with the columns time and bond. Errors
// name its line and column.
func ReadCurve(name string, r io.Reader) (Curve, error) {
	t := table.NewReader(name, r, []table.Column{
		{Name: "time", Dimension: quantity.Time, Required: true},
		{Name: "bond", Dimension: quantity.Temperature, Required: true},
	})
	c := Curve{Name: name}
	for t.Next() {
		seconds, _ := t.Quantity(0)
		bond, _ := t.Quantity(1)
		c.Points = append(c.Points, calibrate.Point{Seconds: seconds, Bond: bond})
	}
	t.NeedRows("point")
	return c, t.Err()
}

// Pressing is how the press stood while the curves were taken. What is not
// told is as the line is configured.
type Pressing struct {
	Material string   // of the head; empty for the first that is fused
	Platen   *float64 // °C
	Start    *float64 // of head and roll, °C
	Pressure *float64 // on the ring, Pa
}

// Press tells how the press stood while the curves that follow were taken. The
// error says what the line does not know or cannot have.
func (c *Calibration) Press(p Pressing) error {
	stock := c.line.Materials.Stock
	i := slices.IndexFunc(stock, func(m recipe.HeadMaterial) bool {
		return m.Name == p.Material || p.Material == "" && m.Method == recipe.Fused
	})
	if i < 0 {
		var names []string
		for _, m := range stock {
			names = append(names, m.Name)
		}
		return fmt.Errorf("no such head material as %q: want one of %s", p.Material, strings.Join(names, ", "))
	}
	m, h := &stock[i], &c.line.Header
	told := func(v *float64, configured float64) float64 {
		if v == nil {
			return configured
		}
		return *v
	}
	conductance, err := h.ConductanceAt(told(p.Pressure, h.Reference))
	if err != nil {
		return fmt.Errorf("pressure on the ring: %w", err)
	}
	head := thermal.Head{Thickness: m.Thickness, Conductivity: m.Conductivity, Density: m.Density, HeatCapacity: m.HeatCapacity}
	c.press, c.factor = calibrate.Known(head, told(p.Start, h.Start), told(p.Platen, m.Setpoint)), conductance/h.Conductance
	return nil
}

// Curves estimates the conductance of the contact, at the reference pressure,
// and the effusivity of the backing from curves of the pressing that Press told
// of. Errors name the curve.
func (c *Calibration) Curves(curves []Curve) error {
	var h, e []calibrate.Estimate
	for _, curve := range curves {
		heat, err := calibrate.FitHeat(curve.Points, c.press)
		if err != nil {
			return fmt.Errorf("%s: %w", curve.Name, err)
		}
		heat.Conductance.Value /= c.factor
		heat.Conductance.U /= c.factor
		h, e = append(h, heat.Conductance), append(e, heat.Backing)
	}
	conductance, err := calibrate.Mean(h)
	if err != nil {
		return err
	}
	backing, err := calibrate.Mean(e)
	if err != nil {
		return err
	}
	c.settings = append(c.settings,
		setting{key: c.prefix + "header.conductance", what: "contact conductance", dimension: quantity.Conductance, Estimate: conductance, dated: true},
		setting{key: c.prefix + "header.backing_effusivity", what: "effusivity of the backing", unit: effusivity, Estimate: backing, dated: true})
	return nil
}

// Rolls estimates what the rolls of a journal tell.
func (c *Calibration) Rolls(a *Actuals) {
	if slip, err := calibrate.Feed(a.Fed); err != nil {
		c.cannot("slip of the feed rolls", err)
	} else {
		c.settings = append(c.settings, setting{key: c.prefix + "wrap.feed_slip", what: "slip of the feed rolls", Estimate: slip, dated: true})
	}
	for i := range a.Papers {
		u := &a.Papers[i]
		what := "caliper of " + u.Paper
		e, err := calibrate.Caliper(u.Readings, c.line.Stand.OuterU, c.line.Wrap.FeedSlipU)
		if err != nil {
			c.cannot(what, err)
			continue
		}
		at := slices.IndexFunc(c.line.Materials.Papers, func(p recipe.Paper) bool { return p.Name == u.Paper })
		c.add(fmt.Sprintf("papers.%d.caliper", at), what, quantity.Length, e)
	}
	d, err := calibrate.Weigh(a.Weighed)
	if err != nil {
		c.cannot("densities and zero of the scale", err)
		return
	}
	for _, g := range d.Grades {
		at := slices.IndexFunc(c.line.Materials.Grades, func(m recipe.Grade) bool { return m.Code == g.Code })
		c.settings = append(c.settings, setting{
			key: fmt.Sprintf("grades.%d.density", at), what: "density of " + c.line.Materials.Grades[at].Name, dimension: quantity.Density,
			Estimate: g.Estimate, spread: g.Scatter,
		})
	}
	if d.Offset.U > 0 {
		c.add("", "zero of the scale", quantity.Mass, d.Offset)
	} else {
		c.cannot("zero of the scale", errors.New("the rolls are too alike in size to tell it from their density"))
	}
}

// Estimates is the report of a calibration.
type Estimates struct {
	Journal string         `json:"journal,omitempty"`
	Curves  []string       `json:"curves,omitempty"`
	Line    string         `json:"line"`
	Rolls   int            `json:"rolls_read" label:"rolls read"`
	Table   *present.Table `json:"estimates" label:"estimates" print:"csv"`
	Not     []NotEstimated `json:"not_estimated" label:"not estimated"`
	Lines   configLines    `json:"configuration" label:"-"`
	Text    []string       `json:"-" label:""`
}

// configLines are lines for a configuration.
type configLines []string

// Estimates is what was found so far. The caller adds where it is from. The
// error gives all reasons why nothing could be estimated.
func (c *Calibration) Estimates() (*Estimates, error) {
	if len(c.settings) == 0 {
		var problems []error
		for _, n := range c.not {
			problems = append(problems, fmt.Errorf("%s: %s", n.What, n.Why))
		}
		return nil, fmt.Errorf("nothing could be estimated\n%w", errors.Join(problems...))
	}
	out := &Estimates{Line: c.line.Name, Table: c.table(), Not: c.not, Lines: c.lines()}
	out.Text = append([]string{"", "lines for the configuration; nothing was changed"}, out.Lines...)
	return out, nil
}

// uncertainty is what the configuration is to have: of the estimate, and of one
// roll about it.
func (s *setting) uncertainty() float64 { return math.Hypot(s.spread, s.U) }
