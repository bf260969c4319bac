package main

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"runtime"

	"github.com/spf13/cobra"

	"lapgate/gateway/present"
	"lapgate/recipe"
	"lapgate/recipe/offline"
	"lapgate/recipe/problem"
	"lapgate/recipe/quantity"
)

// recipeFlags are the flags of `recipe`.
type recipeFlags struct {
	source  sourceFlags
	output  outputFlags
	line    string
	explain bool
	outer   string

	given                              offline.Given
	diameter, diameterU, width, widthU string
	platen, platenHot                  string
	platens                            offline.Platens
}

func (p *program) recipeCommand() *cobra.Command {
	var f recipeFlags
	cmd := &cobra.Command{
		Use:   "recipe [ROLLS.csv]",
		Short: "Compute recipes offline, for one roll or a list of rolls",
		Long: `Recipe computes and checks the recipe for one roll given by flags, or for each
roll of a list in a CSV file. It talks to no controller: every slot of the
configuration is taken as ready, every permissive as on and the scan as fresh.

A quantity has its unit: --diameter "50 in". The list has a header with the
columns roll, diameter and width, and as wanted grade, core, spec, quality, age,
ovality, width_spread, diameter_u and width_u (standard uncertainties), weight,
platen, platen_hot and count, in any order; units stand in the header, as in
"diameter (mm)", or in each cell. A row with a count stands for that many rolls,
and a number is put behind the name of each. A file is checked as a whole before the first
recipe; a list on standard input, given as -, is computed while it comes.

Exit code 5 when a roll is held.`,
		Example: `  lapgate recipe --diameter "50 in" --width "60 in" --grade 1 --core 1
  lapgate recipe rolls.csv --json`,
		Args: mayTake("one list of rolls at most"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return p.recipe(&f)
			}
			for _, name := range []string{"tag", "diameter", "diameter-uncertainty", "width", "width-uncertainty", "grade", "core", "spec", "platen", "platen-hot", "explain"} {
				if cmd.Flags().Changed(name) {
					return usageError("--%s is for one roll, and %q is a list: leave one of them out", name, args[0])
				}
			}
			return p.recipes(&f, args[0])
		},
	}
	f.source.add(cmd)
	f.output.add(cmd)
	addLine(cmd, &f.line, firstLine)
	fl, g := cmd.Flags(), &f.given
	fl.BoolVar(&f.explain, "explain", false, "show every step with its formula and inputs")
	addOuter(cmd, &f.outer, outerOffline)
	fl.StringVar(&g.Tag, "tag", "roll", "identity of the roll")
	fl.StringVar(&f.diameter, "diameter", "", "mean diameter of the roll, as \"50 in\"")
	addWidth(cmd, &f.width)
	fl.StringVar(&g.Grade, "grade", "", "grade of the roll, by code or name")
	fl.StringVar(&g.Core, "core", "", "core of the roll, by code or name")
	addUncertainties(cmd, &f.diameterU, &f.widthU)
	addPlaten(cmd, &f.platen)
	fl.StringVar(&f.platenHot, "platen-hot", "", "temperature of the hotter platen (default that of the cooler one)")
	addSpec(cmd, &g.Spec, "that of the grade")
	return cmd
}

// read reads the lengths among the flags of one roll.
func (f *recipeFlags) read() (outer float64, err error) {
	var problems problem.List
	length := func(flag, text string) float64 {
		v, err := quantity.Parse(text, quantity.Length)
		if err == nil && v < 0 {
			err = fmt.Errorf("%s is negative; no measurement gives this", text)
		}
		problems.Flag(flag, text, err)
		return v
	}
	if f.diameter == "" || f.width == "" {
		problems.Add(errors.New("--diameter and --width are needed, or a list of rolls"))
	}
	outer = length("outer", f.outer)
	g := &f.given
	g.Quality = 1
	if f.diameter != "" {
		g.Diameter = length("diameter", f.diameter)
	}
	if f.width != "" {
		g.Width = length("width", f.width)
	}
	g.DiameterU, g.WidthU = length("diameter-uncertainty", f.diameterU), length("width-uncertainty", f.widthU)
	for _, t := range []struct {
		flag, text string
		at         *float64
	}{{"platen", f.platen, &f.platens.Cooler}, {"platen-hot", f.platenHot, &f.platens.Hotter}} {
		if t.text == "" {
			continue
		}
		v, err := quantity.Parse(t.text, quantity.Temperature)
		problems.Flag(t.flag, t.text, err)
		*t.at = v
	}
	return outer, problems.Err()
}

// recipe computes the one roll of the flags.
func (p *program) recipe(f *recipeFlags) error {
	outer, err := f.read()
	if err != nil {
		return usageError("%w", err)
	}
	line, err := p.recipeLine(f)
	if err != nil {
		return err
	}
	roll, gradeErr, coreErr := f.given.Roll(&line.Materials)
	if gradeErr != nil {
		gradeErr = fmt.Errorf("--grade: %w", gradeErr)
	}
	if coreErr != nil {
		coreErr = fmt.Errorf("--core: %w", coreErr)
	}
	if err := errors.Join(gradeErr, coreErr); err != nil {
		return usageError("%w", err)
	}
	stand := offline.Stand(line, outer)
	f.platens.On(&stand)
	r := offline.Compute(line, &roll, &stand)
	out := present.RecipeOf(&r)
	if f.explain {
		out.Explain = present.Steps(recipe.Explain(line, &roll, &stand), line)
	}
	err = p.printer(f.output, line).Print(out)
	return errors.Join(err, heldError(r.Verdict == "hold"))
}

// recipes computes a list of rolls, and prints each when it is computed.
func (p *program) recipes(f *recipeFlags, path string) error {
	outer, err := quantity.Parse(f.outer, quantity.Length)
	if err != nil {
		return usageError("%w", problem.OfFlag("outer", f.outer, err))
	}
	line, err := p.recipeLine(f)
	if err != nil {
		return err
	}
	rolls, err := p.rolls(path, &line.Materials)
	if err != nil {
		return err
	}
	stand := offline.Stand(line, outer)
	held := false
	bar := present.NewProgress(p.stderr, "rolls computed")
	results := func(yield func(recipe.Result, error) bool) {
		n := 0
		for row, err := range rolls {
			if err != nil {
				bar.Clear()
				yield(recipe.Result{}, err)
				return
			}
			row.Platens.On(&stand)
			r := offline.Compute(line, &row.Rolls[0], &stand)
			held = held || r.Verdict == "hold"
			if !yield(r, nil) {
				return
			}
			if n++; terminalWidth(p.stdout) == 0 {
				bar.At(n)
			}
		}
	}
	err = p.printer(f.output, line).Print(present.Recipes(results))
	bar.Clear()
	if err != nil {
		return err
	}
	return heldError(held)
}

func heldError(held bool) error {
	if !held {
		return nil
	}
	return &exitError{code: exitDifferences}
}

func (p *program) recipeLine(f *recipeFlags) (*recipe.Line, error) {
	line, err := p.loadLine(&f.source, f.line)
	if err != nil {
		return nil, err
	}
	return line.Recipe, nil
}

// rolls opens a list of rolls, - for standard input; each roll comes once for
// each of the materials. A file is checked as a whole first. What cannot be
// read twice is not: its rolls come up to the first bad row, and then the
// error that tells of all.
func (p *program) rolls(path string, m ...*recipe.Materials) (iter.Seq2[offline.Row, error], error) {
	in, err := p.openTable(path)
	if err != nil {
		return nil, err
	}
	read := offline.Rolls
	if file, ok := in.ReadCloser.(*os.File); ok {
		if info, err := file.Stat(); err == nil && info.Mode().IsRegular() {
			if err := p.checkRolls(in, m); err != nil {
				return nil, errors.Join(err, in.Close())
			}
			runtime.GC() // the names of a long list go before its recipes come
			if _, err := file.Seek(0, io.SeekStart); err != nil {
				return nil, errors.Join(err, in.Close())
			}
			read = offline.RollsAgain
		}
	}
	return func(yield func(offline.Row, error) bool) {
		defer func() { _ = in.Close() }() // only read
		read(in.name, in, m...)(yield)
	}, nil
}

func (p *program) checkRolls(in *openedTable, m []*recipe.Materials) error {
	bar := present.NewProgress(p.stderr, "rolls read")
	defer bar.Clear()
	n := 0
	for _, err := range offline.Rolls(in.name, in, m...) {
		if err != nil {
			return err
		}
		n++
		bar.At(n)
	}
	return nil
}
