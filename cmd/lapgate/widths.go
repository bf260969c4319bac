package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/present"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/problem"
	"lapgate/recipe/quantity"
	"lapgate/recipe/widths"
)

// widthsFlags are the flags of `widths`.
type widthsFlags struct {
	from   journalFlags
	output outputFlags
	keep   string
	window windowFlags

	candidates, step string
	prices           []string
	weight           string
	options          widths.Options

	diameterU, widthU string

	rows bool
	svg  string
}

// overhangWeight is what an inch off the optimum overhang costs where nobody says.
const overhangWeight = "1/in"

func (p *program) widthsCommand() *cobra.Command {
	var f widthsFlags
	cmd := &cobra.Command{
		Use:   "widths [SCHEDULE.csv]",
		Short: "Choose the best set of wrapper widths to hang for a schedule",
		Long: `Widths reads a schedule of rolls, a CSV file or - for standard input, and tells
which wrapper to hang in each slot: the set that serves the most rolls, and of
those the one of least cost, which is

  overhang-weight × |overhang − optimum| + paper-price × area    for each roll
  changeover-cost                                                for each slot changed

within the window of each roll's wrap specification, with centring tolerance,
lap on the outer head and distance to the core, as the recipe has them. Of sets
of equal cost it takes the one with the fewest changes, then the fewest
wrappers, then the narrower ones. It says whether the answer is proven best.

The schedule has a header with the columns diameter and width, and as wanted
roll, count, spec, grade, core and date, in any order; units stand in the
header, as in "diameter (mm)", or in each cell. What hangs now is read from the
configuration.

Wrappers to choose from are, with --candidates, a list such as "34 in,42 in",
where "34 in kraft" means one paper alone, or a CSV file with the columns width,
paper, rolls and length: the stock. Without it every multiple of --step is one.

With --engine the schedule is what was wrapped on the line, by the records that have
arrived in the engine: of months, or of the time that --since and --until bound.

Exit code 5 when some rolls cannot be served.

` + folded(caution.Overhead),
		Example: `  lapgate widths week.csv --changeover-cost 40 --paper-price 0.35/m2 --overhang-weight 0.10/in
  lapgate widths week.csv --candidates stock.csv --keep-slots 1,6 --svg week.svg
  lapgate widths --engine --config mill.yaml --line north --since 2026-08-01`,
		Args: f.from.args(takes("one schedule")),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !f.from.engine && f.window != (windowFlags{}) {
				return usageError("--since and --until choose from the engine: give --engine, or leave them out")
			}
			return p.widths(cmd.Context(), &f, args)
		},
	}
	f.from.add(cmd, firstLine)
	f.output.add(cmd)
	fl, o := cmd.Flags(), &f.options
	fl.IntVar(&o.Slots, "slots", 0, "slots at hand (default those of the line)")
	fl.StringVar(&f.keep, "keep-slots", "", "slots that stay as they hang, as \"1,3\", or all")
	addCandidates(cmd, &f.candidates)
	fl.StringVar(&f.step, "step", "", "step of the widths to choose from without --candidates (default 1 in, or 25 mm where lengths are metric)")
	addSpec(cmd, &o.Spec, "that of the row, or of its grade")
	addPaperPrices(cmd, &f.prices)
	fl.Float64Var(&o.Changeover, "changeover-cost", 0, "cost of changing one slot")
	fl.StringVar(&f.weight, "overhang-weight", overhangWeight, "cost of each roll's distance from the optimum overhang, by length")
	fl.IntVar(&o.Effort, "effort", 0, "limit of the search where the exact method does not apply, in steps (default a thousand million)")
	addUncertainties(cmd, &f.diameterU, &f.widthU)
	fl.BoolVar(&f.rows, "rows", false, "list the choice for each row of the schedule instead")
	addSVG(cmd, &f.svg)
	f.window.add(cmd)
	return cmd
}

// read turns the flags into the options of a plan. step is 0 for the default.
func (f *widthsFlags) read() (step float64, err error) {
	o := &f.options
	var problems problem.List
	length := func(flag, text string) float64 {
		v, err := quantity.Parse(text, quantity.Length)
		if err == nil && v < 0 {
			err = fmt.Errorf("got %q, want no negative length", text)
		}
		problems.Flag(flag, text, err)
		return v
	}
	if o.Slots < 0 || o.Slots > widths.MaxSlots {
		problems.Flag("slots", strconv.Itoa(o.Slots), fmt.Errorf("got %d, want 1 to %d", o.Slots, widths.MaxSlots))
	}
	problems.Flag("keep-slots", f.keep, f.readKeep())
	if !(o.Changeover >= 0 && o.Changeover <= 1e9) {
		problems.Flag("changeover-cost", strconv.FormatFloat(o.Changeover, 'g', -1, 64), fmt.Errorf("got %g, want 0 to 1e9", o.Changeover))
	}
	o.Prices, err = widths.ParsePrices(f.prices)
	problems.Flag("paper-price", strings.Join(f.prices, ", "), err)
	o.OverhangCost, err = widths.ParseCostPerLength(f.weight)
	problems.Flag("overhang-weight", f.weight, err)
	if f.step != "" {
		if step = length("step", f.step); step < 1e-3 && problems.Len() == 0 {
			problems.Flag("step", f.step, fmt.Errorf("got %q, want at least 1 mm", f.step))
		}
		if f.candidates != "" {
			problems.Add(errors.New("--step and --candidates exclude each other"))
		}
	}
	o.DiameterU = length("diameter-uncertainty", f.diameterU)
	o.WidthU = length("width-uncertainty", f.widthU)
	if o.Effort < 0 {
		problems.Flag("effort", strconv.Itoa(o.Effort), fmt.Errorf("got %d, want 0 or more", o.Effort))
	}
	return step, problems.Err()
}

func (f *widthsFlags) readKeep() error {
	o := &f.options
	o.KeepAll = f.keep == "all"
	if f.keep == "" || o.KeepAll {
		return nil
	}
	for s := range strings.SplitSeq(f.keep, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(s))
		if err != nil {
			return fmt.Errorf("got %q, want slot numbers as in 1,3", s)
		}
		o.Keep = append(o.Keep, n)
	}
	return nil
}

func (p *program) widths(ctx context.Context, f *widthsFlags, args []string) error {
	step, err := f.read()
	if err != nil {
		return usageError("%w", err)
	}
	if err := aDrawing.may(f.svg); err != nil {
		return err
	}
	load := p.load
	if f.from.engine {
		load = p.loadNamed
	}
	s, err := load(&f.from.source)
	if err != nil {
		return err
	}
	line, err := lineNamed(s, f.from.line)
	if err != nil {
		return err
	}
	plan, err := p.widthsPlan(f, line.Recipe, step, func() (*openedTable, error) { return p.schedule(ctx, args, f, s) })
	if err != nil {
		return err
	}
	if f.svg != "" {
		if err := drawWidths(f.svg, plan, line.Recipe); err != nil {
			return err
		}
	}
	var value any = plan.Summary()
	if f.rows {
		value = present.TableOf(plan.Rows())
	}
	err = p.printer(f.output, line.Recipe).Print(value)
	if err == nil && plan.Result.Best.Changes > 0 {
		fmt.Fprintln(p.stderr, "before anything is hung: "+caution.Overhead.String())
	}
	if err == nil && !plan.AllServed() {
		err = &exitError{code: exitDifferences}
	}
	return err
}

// widthsPlan reads schedule and candidates and solves the plan.
func (p *program) widthsPlan(f *widthsFlags, line *recipe.Line, step float64, schedule func() (*openedTable, error)) (*widths.Plan, error) {
	plan, err := widths.NewPlan(line, f.options)
	if err != nil {
		return nil, usageError("%w", err)
	}
	in, err := schedule()
	if err != nil {
		return nil, err
	}
	bar := present.NewProgress(p.stderr, "rows read")
	err = plan.ReadSchedule(in.name, in, bar.At)
	bar.Clear()
	if err := errors.Join(err, in.Close()); err != nil {
		return nil, err
	}
	switch {
	case f.candidates == "":
		plan.OfferGrid(step)
	case strings.HasSuffix(strings.ToLower(f.candidates), ".csv"):
		stock, err := p.openTable(f.candidates)
		if err != nil {
			return nil, err
		}
		err = plan.ReadStock(stock.name, stock)
		if err := errors.Join(err, stock.Close()); err != nil {
			return nil, err
		}
	default:
		if err := plan.Offer(f.candidates); err != nil {
			return nil, usageError("%w", problem.OfFlag("candidates", f.candidates, err))
		}
	}
	return plan, p.solve(plan)
}

// solve solves the plan, and says so when it takes long.
func (p *program) solve(plan *widths.Plan) error {
	done := make(chan error, 1)
	go func() { done <- plan.Solve() }()
	timer := time.NewTimer(time.Second)
	defer timer.Stop()
	for began := time.Now(); ; {
		select {
		case err := <-done:
			return err
		case <-timer.C:
			fmt.Fprintf(p.stderr, "searching the best set: %.0f s\n", time.Since(began).Seconds())
			timer.Reset(10 * time.Second)
		}
	}
}

func drawWidths(path string, plan *widths.Plan, line *recipe.Line) error {
	drawing := report.Widths(nil, &plan.Problem, plan.Result, plan.Numbers(), line.Unit(quantity.Length))
	return aDrawing.write(path, drawing)
}
