package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
	"lapgate/recipe/rate"
	"lapgate/recipe/widths"
)

// rateFlags are the flags of `rate`.
type rateFlags struct {
	source sourceFlags
	output outputFlags
	line   string
	outer  string

	best              bool
	candidates        string
	spec              string
	prices            []string
	diameterU, widthU string
	svg, report       string
}

func (p *program) rateCommand() *cobra.Command {
	var f rateFlags
	cmd := &cobra.Command{
		Use:   "rate SCHEDULE.csv",
		Short: "Tell how many rolls an hour a line does of an order mix",
		Long: `Rate reads a schedule of rolls, a CSV file or - for standard input, as widths
does, and tells how many rolls an hour the line wraps of it, the time of each
station and which of them takes most, what one step of automation more would
bring, and how much wrapper the rolls take. A roll without a grade counts as the
lightest one of its specification.

There is one roll at a time between scan and outcome, so the times of the stations
add up. Wrapping, crimping and pressing take as long as in the recipe of each roll.
What hands and handling gear take besides is told by the section work of the
configuration, for each station as it is worked: absent, manual, semi or auto. Its
defaults are judgement: take the times of the line with a watch. Stops, breaks and
held rolls are not counted.

The wrappers are those that hang. With --best-widths they are the best set that
widths finds, of every width or of --candidates. Without a price the cost of the
wrapper is left out.

--report writes the sheet for the talk about an application: rate, wrappers, what
all of it rests on and cautions, as one HTML page that prints.

Exit code 5 when some rolls get no recipe.

` + folded(caution.Pace),
		Example: `  lapgate rate week.csv --paper-price 1.10/kg --report sheet.html
  lapgate rate week.csv --set lines.0.equipment.header=manual --best-widths`,
		Args: takes("one schedule"),
		RunE: func(_ *cobra.Command, args []string) error { return p.rate(&f, args[0]) },
	}
	f.source.add(cmd)
	f.output.add(cmd)
	fl := cmd.Flags()
	addLine(cmd, &f.line, firstLine)
	addOuter(cmd, &f.outer, outerOffline)
	fl.BoolVar(&f.best, "best-widths", false, "take the best set of wrappers for the schedule (default those that hang)")
	addCandidates(cmd, &f.candidates)
	addSpec(cmd, &f.spec, "that of the row, or of its grade")
	addPaperPrices(cmd, &f.prices)
	addUncertainties(cmd, &f.diameterU, &f.widthU)
	addSVG(cmd, &f.svg)
	fl.StringVar(&f.report, "report", "", "also write the sheet about the application to this HTML file")
	return cmd
}

// read turns the flags into those of `widths`, and the outer diameter of a wrapper
// roll, m.
func (f *rateFlags) read() (w widthsFlags, outer float64, err error) {
	w.prices, w.weight, w.diameterU, w.widthU = f.prices, overhangWeight, f.diameterU, f.widthU
	w.options.Spec = f.spec
	f.best = f.best || f.candidates != ""
	if w.candidates = f.candidates; !f.best {
		w.keep = "all"
	}
	_, err = w.read()
	outer, outerErr := quantity.Parse(f.outer, quantity.Length)
	if outerErr != nil {
		err = errors.Join(err, fmt.Errorf("--outer: %w", outerErr))
	}
	return w, outer, err
}

func (p *program) rate(f *rateFlags, schedule string) error {
	w, outer, err := f.read()
	if err != nil {
		return usageError("%w", err)
	}
	if err := errors.Join(aDrawing.may(f.svg), aPage.may(f.report)); err != nil {
		return err
	}
	snapshot, err := p.load(&f.source)
	if err != nil {
		return err
	}
	line, err := lineNamed(snapshot, f.line)
	if err != nil {
		return err
	}
	plan, err := p.widthsPlan(&w, line.Recipe, 0, func() (*openedTable, error) { return p.openTable(schedule) })
	if err != nil {
		return err
	}
	hung := *line.Recipe
	if f.best {
		hung.Stand.Slots = plan.Hung()
	}
	sum, err := rateOf(&hung, line, &w.options, plan, outer)
	if err != nil {
		return usageError("--outer: %w", err)
	}
	if f.svg != "" {
		if err := aDrawing.write(f.svg, report.RateView(snapshot.Words, sum)); err != nil {
			return err
		}
	}
	if f.report != "" {
		sheet := report.Application{
			Line: &hung, Schedule: schedule, Outer: outer, Rate: sum, Widths: plan.Summary(), Settings: rate.Assumptions(&hung, &line.Work),
			Made:     snapshot.Words.Of("sheet.made", "at", time.Now().In(p.zone()).Format("2006-01-02 15:04 MST"), "name", version()),
			Words:    snapshot.Words,
			Overhang: report.Widths(snapshot.Words, &plan.Problem, plan.Result, plan.Numbers(), hung.Unit(quantity.Length)),
		}
		page, err := sheet.Page()
		if err != nil {
			return err
		}
		if err := aPage.write(f.report, page); err != nil {
			return err
		}
	}
	out := p.printer(f.output, &hung)
	out.Words = snapshot.Words
	err = out.Print(sum)
	if err == nil && sum.Wrapped < sum.Rolls {
		err = &exitError{code: exitDifferences}
	}
	return err
}

// rateOf reckons the rate of a plan's schedule on a line as it hangs then.
func rateOf(hung *recipe.Line, line *config.Line, w *widths.Options, plan *widths.Plan, outer float64) (*rate.Summary, error) {
	r, err := rate.New(hung, rate.Options{Work: line.Work, Outer: outer, Prices: plan.Problem.Prices})
	if err != nil {
		return nil, err
	}
	for o := range plan.Schedule() {
		r.Add(rate.Roll{
			Name: o.Name, Diameter: o.Diameter, Width: o.Width, DiameterU: w.DiameterU, WidthU: w.WidthU,
			Grade: o.Grade, Core: o.Core, Spec: o.Spec, Count: o.Count,
		})
	}
	return r.Summary(), nil
}
