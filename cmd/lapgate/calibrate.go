package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/present"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/calibrate"
	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
	"lapgate/recipe/thermal"
)

// calibrateFlags are the flags of `calibrate`.
type calibrateFlags struct {
	source                  sourceFlags
	output                  outputFlags
	line, by, head          string
	bond                    []string
	platen, start, pressure string
}

func (p *program) calibrateCommand() *cobra.Command {
	var f calibrateFlags
	cmd := &cobra.Command{
		Use:   "calibrate [JOURNAL] --by NAME",
		Short: "Estimate settings of a line from its record and from measurements",
		Long: `Calibrate estimates settings of a line and prints lines for the configuration,
each with its standard uncertainty and the number of rolls. It applies nothing.

From a journal: the slip of the feed rolls, the wound caliper of each wrapper, the
density of each grade and the zero of the scale. From curves of a thermocouple at
a bond line, given with --bond: the conductance of the contact and the effusivity
of the backing. A curve is a CSV file with the columns "time (s)" and
"bond (°C)", time 0 being the closing of the press. Press until the bond line is
well on its way to the platen: the backing shows late.

The platens are hot enough to burn: fit the thermocouple to a cold head, keep its
wire and your hands out of the press, and leave its guards closed.`,
		Example: `  lapgate calibrate journal/north.db --config now.yaml --by Kim
  lapgate calibrate --config now.yaml --bond first.csv --bond second.csv --by Kim`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, name := range []string{"material", "platen", "start", "pressure"} {
				if len(f.bond) == 0 && cmd.Flags().Changed(name) {
					return usageError("--%s is about a curve: name it with --bond", name)
				}
			}
			path := ""
			if len(args) > 0 {
				path = args[0]
			}
			return p.calibrate(cmd.Context(), path, &f)
		},
	}
	f.source.add(cmd)
	f.output.add(cmd)
	addLine(cmd, &f.line, likeJournal)
	addBy(cmd, &f.by, "")
	fl := cmd.Flags()
	fl.StringArrayVar(&f.bond, "bond", nil, "curve of a thermocouple at a bond line, a CSV file; may be repeated")
	fl.StringVar(&f.head, "material", "", "head material that was pressed (default the first that is fused)")
	addPlaten(cmd, &f.platen)
	fl.StringVar(&f.start, "start", "", "temperature of head and roll before pressing (default that of the configuration)")
	fl.StringVar(&f.pressure, "pressure", "", "contact pressure on the ring while pressing (default the reference pressure of the configuration)")
	return cmd
}

// calibrateReport is what calibrate prints.
type calibrateReport struct {
	Journal string         `json:"journal,omitempty"`
	Curves  []string       `json:"curves,omitempty"`
	Line    string         `json:"line"`
	Rolls   int            `json:"rolls_read" label:"rolls read"`
	Table   *present.Table `json:"estimates" label:"estimates" print:"csv"`
	Not     []notTold      `json:"not_estimated" label:"not estimated"`
	Lines   configLines    `json:"configuration" label:"-"`
	Text    []string       `json:"-" label:""`
}

// configLines are lines for a configuration.
type configLines []string

type notTold struct {
	What string `json:"what"`
	Why  string `json:"why"`
}

// setting is one estimated setting.
type setting struct {
	key       string // full path in the configuration; empty where it is no setting
	what      string
	dimension quantity.Dimension
	unit      string // SI, where there is no dimension
	calibrate.Estimate
	spread float64 // the standard uncertainty to configure, where it is not U
}

// effusivity is the unit of the backing's.
const effusivity = "J/m2K√s"

// calibrating is one calibration under way.
type calibrating struct {
	line     *recipe.Line
	prefix   string // of the line's keys
	at, by   string
	settings []setting
	heat     bool
	not      []notTold
}

func (p *program) calibrate(ctx context.Context, path string, f *calibrateFlags) error {
	switch {
	case f.by == "":
		return usageError("--by is missing: name the person who answers for the measurement")
	case path == "" && len(f.bond) == 0:
		return usageError("nothing to calibrate from: name a journal, or a curve with --bond")
	case f.source.path == "" && p.getenv(configVariable) == "":
		return usageError("name the configuration of the line with --config, or $%s", configVariable)
	}
	snapshot, err := p.load(&f.source)
	if err != nil {
		return err
	}
	line, err := lineFor(snapshot, f.line, path)
	if err != nil {
		return err
	}
	index := slices.IndexFunc(snapshot.Lines, func(l config.Line) bool { return l.Recipe == line.Recipe })
	c := &calibrating{line: line.Recipe, prefix: fmt.Sprintf("lines.%d.", index), at: time.Now().In(p.zone()).Format(time.DateOnly), by: f.by}
	out := &calibrateReport{Journal: path, Curves: f.bond, Line: line.Recipe.Name, Not: []notTold{}}
	if len(f.bond) > 0 {
		if err := c.curves(f); err != nil {
			return err
		}
	}
	if path != "" {
		var actuals process.Actuals
		err := p.scanRolls(ctx, path, func(r *record.Roll) error {
			out.Rolls++
			actuals.Take(line.Recipe, r)
			return nil
		})
		if err != nil {
			return err
		}
		c.rolls(&actuals)
	}
	if len(c.settings) == 0 {
		var problems []error
		for _, n := range c.not {
			problems = append(problems, fmt.Errorf("%s: %s", n.What, n.Why))
		}
		return fmt.Errorf("nothing could be estimated\n%w", errors.Join(problems...))
	}
	out.Table, out.Lines = c.table(), c.lines()
	out.Not = append(out.Not, c.not...)
	out.Text = append([]string{"", "lines for the configuration; nothing was changed"}, out.Lines...)
	return p.printer(f.output, line.Recipe).Print(out)
}

func (c *calibrating) add(key, what string, d quantity.Dimension, e calibrate.Estimate) {
	c.settings = append(c.settings, setting{key: key, what: what, dimension: d, Estimate: e})
}

func (c *calibrating) cannot(what string, err error) {
	c.not = append(c.not, notTold{what, err.Error()})
}

// curves estimates what the curves of a bond line tell.
func (c *calibrating) curves(f *calibrateFlags) error {
	known, factor, err := c.known(f)
	if err != nil {
		return usageError("%w", err)
	}
	var h, e []calibrate.Estimate
	for _, path := range f.bond {
		points, err := readCurve(path)
		if err != nil {
			return err
		}
		heat, err := calibrate.FitHeat(points, known)
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		heat.Conductance.Value /= factor
		heat.Conductance.U /= factor
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
	c.heat = true
	c.add(c.prefix+"header.conductance", "contact conductance", quantity.Conductance, conductance)
	c.settings = append(c.settings, setting{key: c.prefix + "header.backing_effusivity", what: "effusivity of the backing", unit: effusivity, Estimate: backing})
	return nil
}

// known is the pressing that the flags tell of, and by how much its conductance
// is above that at the reference pressure.
func (c *calibrating) known(f *calibrateFlags) (calibrate.Press, float64, error) {
	var problems []error
	value := func(flag, text string, d quantity.Dimension, unless float64) float64 {
		if text == "" {
			return unless
		}
		v, err := quantity.Parse(text, d)
		if err != nil {
			problems = append(problems, fmt.Errorf("--%s: %w", flag, err))
		}
		return v
	}
	stock := c.line.Materials.Stock
	i := slices.IndexFunc(stock, func(m recipe.HeadMaterial) bool {
		return m.Name == f.head || f.head == "" && m.Method == recipe.Fused
	})
	if i < 0 {
		var names []string
		for _, m := range stock {
			names = append(names, m.Name)
		}
		return calibrate.Press{}, 0, fmt.Errorf("--material: no such head material as %q: want one of %s", f.head, strings.Join(names, ", "))
	}
	m, h := &stock[i], &c.line.Header
	platen := value("platen", f.platen, quantity.Temperature, m.Setpoint)
	start := value("start", f.start, quantity.Temperature, h.Start)
	pressure := value("pressure", f.pressure, quantity.Pressure, h.Reference)
	if len(problems) > 0 {
		return calibrate.Press{}, 0, errors.Join(problems...)
	}
	head := thermal.Head{Thickness: m.Thickness, Conductivity: m.Conductivity, Density: m.Density, HeatCapacity: m.HeatCapacity}
	conductance, err := h.ConductanceAt(pressure)
	if err != nil {
		return calibrate.Press{}, 0, fmt.Errorf("--pressure: %w", err)
	}
	return calibrate.Known(head, start, platen), conductance / h.Conductance, nil
}

// readCurve reads the curve of a thermocouple.
func readCurve(path string) ([]calibrate.Point, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }()
	t := table.NewReader(path, file, []table.Column{
		{Name: "time", Dimension: quantity.Time, Required: true},
		{Name: "bond", Dimension: quantity.Temperature, Required: true},
	})
	var points []calibrate.Point
	for t.Next() {
		seconds, _ := t.Quantity(0)
		bond, _ := t.Quantity(1)
		points = append(points, calibrate.Point{Seconds: seconds, Bond: bond})
	}
	t.NeedRows("point")
	return points, t.Err()
}

// rolls estimates what the rolls of the journal tell.
func (c *calibrating) rolls(a *process.Actuals) {
	if slip, err := calibrate.Feed(a.Fed); err != nil {
		c.cannot("slip of the feed rolls", err)
	} else {
		c.add(c.prefix+"wrap.feed_slip", "slip of the feed rolls", quantity.None, slip)
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
