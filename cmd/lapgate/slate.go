package main

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/recipe/quantity"
	"lapgate/recipe/widths"
)

// slateFlags are the flags of `slate`.
type slateFlags struct {
	source sourceFlags
	line   string
	slots  int
	keep   string

	candidates, step string
	spec             string
	prices           []string
	changeover       float64
	weight           string
	effort           int

	diameterU, widthU string

	rolls, asCSV, asJSON bool
	svg                  string
}

func (p *program) slateCommand() *cobra.Command {
	var f slateFlags
	cmd := &cobra.Command{
		Use:   "slate SCHEDULE",
		Short: "Choose the best set of wrapper widths to hang for a schedule",
		Long: `Slate reads a schedule of rolls, a CSV file or - for standard input, and tells
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

Exit code 5 when some rolls cannot be served.`,
		Example: `  lapgate slate week.csv --changeover-cost 40 --paper-price 0.35/m2 --overhang-weight 0.10/in
  lapgate slate week.csv --candidates stock.csv --keep 1,6 --svg week.svg`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return p.slate(&f, args[0]) },
	}
	f.source.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.line, "line", "", "the line of the configuration (default the first)")
	fl.IntVar(&f.slots, "slots", 0, "slots at hand (default those of the line)")
	fl.StringVar(&f.keep, "keep", "", "slots that stay as they hang, as \"1,3\", or all")
	fl.StringVar(&f.candidates, "candidates", "", "wrappers to choose from: a list of widths, or a CSV file of the stock")
	fl.StringVar(&f.step, "step", "", "step of the widths to choose from without --candidates (default 1 in, or 25 mm where lengths are metric)")
	fl.StringVar(&f.spec, "spec", "", "wrap specification of rolls whose row names none")
	fl.StringArrayVar(&f.prices, "paper-price", nil, "price of paper by area, as 0.35/m2, or of one paper, as kraft=0.35/m2; may be repeated")
	fl.Float64Var(&f.changeover, "changeover-cost", 0, "cost of changing one slot")
	fl.StringVar(&f.weight, "overhang-weight", "1/in", "cost of each roll's distance from the optimum overhang, by length")
	fl.IntVar(&f.effort, "effort", 0, "limit of the search where the exact method does not apply, in steps (default a thousand million)")
	fl.StringVar(&f.diameterU, "diameter-uncertainty", "0 mm", "standard uncertainty of the diameters to be expected at the scan")
	fl.StringVar(&f.widthU, "width-uncertainty", "0 mm", "standard uncertainty of the widths to be expected at the scan")
	fl.BoolVar(&f.rolls, "rolls", false, "list the choice for each row of the schedule")
	fl.BoolVar(&f.asCSV, "csv", false, "print CSV, SI: one line for each slot, or with --rolls for each row")
	fl.BoolVar(&f.asJSON, "json", false, "print JSON, SI")
	fl.StringVar(&f.svg, "svg", "", "draw the overhang by roll into this SVG file")
	return cmd
}

// slateWants are the flags once read.
type slateWants struct {
	keep              []int // slot numbers
	keepAll           bool
	prices            []paperPrice
	weight            float64 // per metre
	step              float64 // m, 0 for the default
	diameterU, widthU float64
}

// paperPrice is the price of a square metre, of every paper where none is
// named.
type paperPrice struct {
	paper string
	price float64
}

func (f *slateFlags) read() (w slateWants, err error) {
	var problems []error
	fail := func(flag string, err error) {
		if err != nil {
			problems = append(problems, fmt.Errorf("--%s: %w", flag, err))
		}
	}
	length := func(flag, text string) float64 {
		v, err := quantity.Parse(text, quantity.Length)
		if err == nil && v < 0 {
			err = fmt.Errorf("got %q, want no negative length", text)
		}
		fail(flag, err)
		return v
	}
	if f.slots < 0 || f.slots > widths.MaxSlots {
		fail("slots", fmt.Errorf("got %d, want 1 to %d", f.slots, widths.MaxSlots))
	}
	w.keepAll = f.keep == "all"
	if f.keep != "" && !w.keepAll {
		for _, s := range strings.Split(f.keep, ",") {
			n, err := strconv.Atoi(strings.TrimSpace(s))
			if err != nil {
				err = fmt.Errorf("got %q, want slot numbers as in 1,3", s)
			}
			fail("keep", err)
			w.keep = append(w.keep, n)
		}
	}
	if !(f.changeover >= 0 && f.changeover <= 1e9) {
		fail("changeover-cost", fmt.Errorf("got %g, want 0 to 1e9", f.changeover))
	}
	for _, s := range f.prices {
		name, text, named := strings.Cut(s, "=")
		if !named {
			name, text = "", s
		}
		v, err := perUnit(text, areaUnits())
		fail("paper-price", err)
		w.prices = append(w.prices, paperPrice{strings.TrimSpace(name), v})
	}
	w.weight, err = perUnit(f.weight, lengthUnits())
	fail("overhang-weight", err)
	if f.step != "" {
		if w.step = length("step", f.step); w.step < 1e-3 && len(problems) == 0 {
			fail("step", fmt.Errorf("got %q, want at least 1 mm", f.step))
		}
		if f.candidates != "" {
			problems = append(problems, errors.New("--step and --candidates exclude each other"))
		}
	}
	w.diameterU = length("diameter-uncertainty", f.diameterU)
	w.widthU = length("width-uncertainty", f.widthU)
	if f.asCSV && f.asJSON {
		problems = append(problems, errors.New("--csv and --json exclude each other"))
	}
	if f.effort < 0 {
		fail("effort", fmt.Errorf("got %d, want 0 or more", f.effort))
	}
	return w, errors.Join(problems...)
}

// perName is a unit below the stroke of a price.
type perName struct {
	name string
	size float64 // in m or m²
}

func areaUnits() []perName {
	const foot = 0.3048
	return []perName{{"m2", 1}, {"m²", 1}, {"ft2", foot * foot}, {"ft²", foot * foot}, {"1000ft2", 1000 * foot * foot}, {"1000ft²", 1000 * foot * foot}}
}

func lengthUnits() []perName {
	var out []perName
	for _, name := range quantity.Units(quantity.Length) {
		if v, err := quantity.Parse("1 "+name, quantity.Length); err == nil {
			out = append(out, perName{name, v})
		}
	}
	return out
}

// perUnit reads a price such as 0.35/m2.
func perUnit(text string, units []perName) (float64, error) {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = u.name
	}
	number, unit, ok := strings.Cut(text, "/")
	i := slices.Index(names, strings.TrimSpace(unit))
	if !ok || i < 0 {
		return 0, fmt.Errorf("got %q, want a number by a unit, as in 0.35/%s; units are %s", text, units[0].name, strings.Join(names, ", "))
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v >= 0 && v/units[i].size <= 1e9) {
		return 0, fmt.Errorf("got %q, want a number from 0 before the stroke", text)
	}
	return v / units[i].size, nil
}

func (p *program) slate(f *slateFlags, path string) error {
	wants, err := f.read()
	if err != nil {
		return usageError("%w", err)
	}
	snapshot, err := p.load(&f.source)
	if err != nil {
		return err
	}
	line, err := lineNamed(snapshot, f.line)
	if err != nil {
		return err
	}
	plan, err := newSlatePlan(line.Recipe, f, &wants)
	if err != nil {
		return err
	}
	if err := p.readSchedule(path, plan); err != nil {
		return err
	}
	if plan.problem.Candidates, plan.choice, err = p.wrappers(plan, f.candidates, wants.step); err != nil {
		return err
	}
	plan.result, err = p.solveSlate(&plan.problem)
	if err != nil {
		return err
	}
	plan.judge()
	if f.svg != "" {
		unit := line.Recipe.Unit(quantity.Length)
		metres, err := quantity.Parse("1 "+unit, quantity.Length)
		if err != nil {
			return err
		}
		drawing := widths.Plot(&plan.problem, plan.result, widths.Unit{Name: unit, Metres: metres})
		if err := os.WriteFile(f.svg, []byte(drawing), 0o644); err != nil {
			return err
		}
	}
	switch {
	case f.asJSON:
		err = p.printJSON(plan.report(f.rolls))
	case f.asCSV && f.rolls:
		err = plan.writeRollsCSV(p.stdout)
	case f.asCSV:
		err = plan.writeSlotsCSV(p.stdout)
	default:
		err = plan.writeText(p.stdout, f.rolls)
	}
	if err == nil && len(plan.unserved) > 0 {
		err = &exitError{code: exitDifferences}
	}
	return err
}

// solveSlate solves the problem, and says so when it takes long.
func (p *program) solveSlate(problem *widths.Problem) (*widths.Result, error) {
	type answer struct {
		result *widths.Result
		err    error
	}
	done := make(chan answer, 1)
	go func() {
		r, err := widths.Solve(problem)
		done <- answer{r, err}
	}()
	timer := time.NewTimer(time.Second)
	defer timer.Stop()
	for began := time.Now(); ; {
		select {
		case a := <-done:
			return a.result, a.err
		case <-timer.C:
			fmt.Fprintf(p.stderr, "searching the best set: %.0f s\n", time.Since(began).Seconds())
			timer.Reset(10 * time.Second)
		}
	}
}
