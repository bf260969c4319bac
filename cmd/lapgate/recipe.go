package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/quantity"
)

// recipeFlags are the flags of `recipe`.
type recipeFlags struct {
	source  sourceFlags
	line    string
	csv     string
	asJSON  bool
	explain bool
	outer   string

	tag, diameter, diameterU, width, widthU string
	grade, core, spec                       string
}

func (p *program) recipeCommand() *cobra.Command {
	var f recipeFlags
	cmd := &cobra.Command{
		Use:   "recipe",
		Short: "Compute recipes offline, for one roll or a CSV file of rolls",
		Long: `Recipe computes and checks the recipe for one roll given by flags, or for each
roll of a CSV file. It talks to no controller: every slot of the configuration
is taken as ready, every permissive as on and the scan as fresh.

A quantity has its unit: --diameter "50 in". The CSV file has a header with the
columns roll, diameter and width, and as wanted grade, core, spec, quality, age,
ovality, width_spread and weight, in any order; units stand in the header, as in
"diameter (mm)", or in each cell.

Exit code 5 when a roll is held.`,
		Example: `  lapgate recipe --diameter "50 in" --width "60 in" --grade 1 --core 1
  lapgate recipe --csv rolls.csv --json`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return p.recipe(&f) },
	}
	f.source.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.line, "line", "", "the line of the configuration (default the first)")
	fl.StringVar(&f.csv, "csv", "", "compute each roll of this CSV file and print a table; - is standard input")
	fl.BoolVar(&f.asJSON, "json", false, "print JSON: one object, or for a CSV file an array")
	fl.BoolVar(&f.explain, "explain", false, "show every step with its formula and inputs")
	fl.StringVar(&f.outer, "outer", "1 m", "outer diameter of the wrapper rolls on the stand")
	fl.StringVar(&f.tag, "roll", "roll", "name of the roll")
	fl.StringVar(&f.diameter, "diameter", "", "mean diameter of the roll, as \"50 in\"")
	fl.StringVar(&f.diameterU, "diameter-uncertainty", "0 mm", "its standard uncertainty")
	fl.StringVar(&f.width, "width", "", "width of the roll, as \"60 in\"")
	fl.StringVar(&f.widthU, "width-uncertainty", "0 mm", "its standard uncertainty")
	fl.StringVar(&f.grade, "grade", "", "grade of the roll, by code or name")
	fl.StringVar(&f.core, "core", "", "core of the roll, by code or name")
	fl.StringVar(&f.spec, "spec", "", "wrap specification (default the grade's)")
	return cmd
}

func (p *program) recipe(f *recipeFlags) error {
	outer, rolls, err := p.recipeInput(f)
	if err != nil {
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
	resolved := make([]recipe.Roll, len(rolls))
	var problems []error
	for i := range rolls {
		if resolved[i], err = rollOf(&line.Recipe.Materials, &rolls[i]); err != nil {
			problems = append(problems, err)
		}
	}
	if len(problems) > 0 {
		return errors.Join(problems...)
	}

	stand := offlineStand(line.Recipe, outer)
	table := f.csv != "" && !f.explain
	results := make([]recipeResult, 0, len(resolved))
	held := false
	bar := newProgress(p.stderr, "rolls computed", len(resolved))
	for i := range resolved {
		r := computeOne(line.Recipe, &resolved[i], &stand, f.explain)
		held = held || r.held()
		if f.asJSON || table {
			results = append(results, r)
		} else if err := r.writeText(p.stdout, line.Recipe); err != nil {
			return err
		}
		bar.at(i + 1)
	}
	bar.clear()
	switch {
	case !f.asJSON && table:
		err = writeTable(p.stdout, results, line.Recipe)
	case !f.asJSON:
	case f.csv == "":
		err = p.printJSON(&results[0])
	default:
		err = p.printJSON(results)
	}
	if err == nil && held {
		err = &exitError{code: exitDifferences}
	}
	return err
}

// recipeInput takes the rolls from flags or file.
func (p *program) recipeInput(f *recipeFlags) (outer float64, rolls []csvRoll, err error) {
	var problems []error
	length := func(flag, text string) float64 {
		v, err := quantity.Parse(text, quantity.Length)
		if err != nil {
			problems = append(problems, fmt.Errorf("--%s: %w", flag, err))
		}
		return v
	}
	outer = length("outer", f.outer)
	if f.csv != "" {
		if f.diameter != "" || f.width != "" {
			problems = append(problems, errors.New("--csv and --diameter, --width exclude each other"))
		}
		if len(problems) > 0 {
			return 0, nil, usageError("%w", errors.Join(problems...))
		}
		rolls, err = p.openRolls(f.csv)
		return outer, rolls, err
	}
	if f.diameter == "" || f.width == "" {
		problems = append(problems, errors.New("--diameter and --width are needed, or --csv"))
	}
	one := csvRoll{At: "roll", Tag: f.tag, Grade: f.grade, Core: f.core, Spec: f.spec, Quality: 1}
	if f.diameter != "" {
		one.Diameter = length("diameter", f.diameter)
	}
	if f.width != "" {
		one.Width = length("width", f.width)
	}
	one.DiameterU = length("diameter-uncertainty", f.diameterU)
	one.WidthU = length("width-uncertainty", f.widthU)
	if len(problems) > 0 {
		return 0, nil, usageError("%w", errors.Join(problems...))
	}
	return outer, []csvRoll{one}, nil
}

// openRolls reads a list of rolls from a file, or from standard input for "-".
func (p *program) openRolls(path string) ([]csvRoll, error) {
	if path == "-" {
		return readRolls("standard input", p.stdin)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	rolls, err := readRolls(path, file)
	return rolls, errors.Join(err, file.Close())
}

// rollOf makes a measured roll of a row: a scan without any doubt but those
// given.
func rollOf(m *recipe.Materials, c *csvRoll) (recipe.Roll, error) {
	r := recipe.Roll{
		Tag:          c.Tag,
		Diameter:     c.Diameter,
		DiameterU:    c.DiameterU,
		DiameterMax:  c.Diameter * (1 + c.Ovality/2),
		Ovality:      c.Ovality,
		Width:        c.Width,
		WidthU:       c.WidthU,
		WidthMedian:  c.Width,
		WidthSpread:  c.WidthSpread,
		Quality:      c.Quality,
		Age:          c.Age,
		KnownWeight:  c.Weight,
		Spec:         c.Spec,
		MeasuredFrom: "given",
	}
	var problems []error
	var err error
	if r.Grade, err = codeOf("grade", c.Grade, len(m.Grades), func(i int) (string, int) { return m.Grades[i].Name, m.Grades[i].Code }); err != nil {
		problems = append(problems, fmt.Errorf("%s: %w", c.At, err))
	}
	if r.Core, err = codeOf("core", c.Core, len(m.Cores), func(i int) (string, int) { return m.Cores[i].Name, m.Cores[i].Code }); err != nil {
		problems = append(problems, fmt.Errorf("%s: %w", c.At, err))
	}
	return r, errors.Join(problems...)
}

// codeOf finds the code for a name among n; a number is a code, and is judged
// by the checks.
func codeOf(what, text string, n int, at func(int) (name string, code int)) (int, error) {
	if text == "" {
		return 0, nil
	}
	names := ""
	for i := range n {
		name, code := at(i)
		if name == text {
			return code, nil
		}
		names += fmt.Sprintf(", %d (%s)", code, name)
	}
	code, err := strconv.ParseUint(text, 10, 16)
	if err != nil {
		return 0, fmt.Errorf("%s %q is not known; want a code or a name of the configuration%s", what, text, names)
	}
	return int(code), nil
}

// offlineStand is a stand on which all is well.
func offlineStand(line *recipe.Line, outer float64) recipe.Stand {
	const produce, execute = 1, 6 // ISA-TR88.00.02
	s := recipe.Stand{Permissives: math.MaxUint32, Mode: produce, State: execute}
	for _, slot := range line.Stand.Slots {
		if slot.Number >= 1 && slot.Number <= len(s.Ready) {
			s.Ready[slot.Number-1] = true
			s.Outer[slot.Number-1] = outer
		}
	}
	return s
}

func computeOne(line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand, explain bool) recipeResult {
	rec := new(recipe.Recipe)
	recipe.Compute(line, roll, stand, rec)
	findings := check.Run(line, roll, stand, rec, nil, nil)
	r := recipeResult{Result: recipe.NewResult(roll, rec, findings)}
	if !r.held() {
		r.Instructions = recipe.Instructions(line, roll, stand)
	}
	if explain {
		r.Explain = recipe.Explain(line, roll, stand)
	}
	return r
}

// lineNamed returns a line of a configuration, the first for no name.
func lineNamed(s *config.Snapshot, name string) (*config.Line, error) {
	names := ""
	for i := range s.Lines {
		if name == "" || s.Lines[i].Recipe.Name == name {
			return &s.Lines[i], nil
		}
		names += " " + s.Lines[i].Recipe.Name
	}
	return nil, usageError("--line: no line is named %q; want one of%s", name, names)
}
