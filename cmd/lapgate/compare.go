package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/stat"
)

// compareFlags are the flags of `compare`.
type compareFlags struct {
	source        sourceFlags
	line          string
	tolerances    []string
	worst         int
	svg           string
	asJSON, asCSV bool
}

func (p *program) compareCommand() *cobra.Command {
	var f compareFlags
	cmd := &cobra.Command{
		Use:   "compare JOURNAL",
		Short: "Compare our recipes with what the controller really used",
		Long: `Compare puts each wrapped roll of a journal beside our recipe for it: the one
computed in shadow, or the one offered. It tells by setpoint how far what was
used is from ours, and which rolls differ most. It reads the journal alone.

A tolerance is an amount or a share of our setpoint: --tolerance feed_length=3%,
--tolerance "overlap=1 in". The setpoints are ` + usageNames() + `.
The scale's own tolerance of each recipe holds for gross_mass where none is
given. A setpoint that the controller does not report counts as not reported,
not as a difference. A roll that was wrapped though we would have held it is a
difference.

--config is read for the units alone; without it values have the units of the
register map, as they always do in CSV and JSON.

Exit code 5 when a roll differs by more than a tolerance.`,
		Example: `  lapgate compare journal/north.db --svg north.svg
  lapgate compare journal/north.db --tolerance 'header_dwell=0.2 s' --csv`,
		Args: onePath,
		RunE: func(cmd *cobra.Command, args []string) error { return p.compare(cmd.Context(), args[0], &f) },
	}
	f.source.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.line, "line", "", "the line of the configuration whose units hold (default the one that the journal is named after, else the first)")
	fl.StringArrayVar(&f.tolerances, "tolerance", nil, "allow a setpoint to differ, as overlap='25 mm' or feed_length=2%; may be repeated")
	fl.IntVar(&f.worst, "worst", 10, "show so many of the rolls that differ most, and of those wrapped though we would have held them")
	fl.StringVar(&f.svg, "svg", "", "draw the differences by roll into this SVG file")
	fl.BoolVar(&f.asJSON, "json", false, "print JSON: the summary and every roll")
	fl.BoolVar(&f.asCSV, "csv", false, "print CSV: a line for each setpoint of each roll")
	return cmd
}

func usageNames() string {
	names := ""
	for i, u := range replay.Usages() {
		names += comma(i)
		if i > 0 {
			names += " "
		}
		names += u.Field.Word()
	}
	return names
}

// comparing is what compare found.
type comparing struct {
	path     string
	usages   []replay.Usage
	wraps    []replay.Wrap
	coverage replay.Coverage
	line     *recipe.Line // for units
}

func (p *program) compare(ctx context.Context, path string, f *compareFlags) error {
	c := &comparing{path: path, usages: replay.Usages(), line: new(recipe.Line)}
	var problems []error
	if f.asCSV && f.asJSON {
		problems = append(problems, errors.New("--csv and --json exclude each other"))
	}
	if f.worst < 0 {
		problems = append(problems, errors.New("--worst: want 0 or more"))
	}
	for _, text := range f.tolerances {
		if err := setTolerance(c.usages, text); err != nil {
			problems = append(problems, fmt.Errorf("--tolerance: %w", err))
		}
	}
	if len(problems) > 0 {
		return usageError("%w", errors.Join(problems...))
	}
	if f.source.path != "" || p.getenv(configVariable) != "" {
		snapshot, err := p.load(&f.source)
		if err != nil {
			return err
		}
		line, err := lineFor(snapshot, f.line, path)
		if err != nil {
			return err
		}
		c.line = line.Recipe
	}
	pairing := replay.NewPairing(c.usages)
	err := p.scanRolls(ctx, path, func(roll *record.Roll) error {
		w, err := pairing.Take(roll)
		if w != nil {
			c.wraps = append(c.wraps, *w)
		}
		return err
	})
	if err != nil {
		return err
	}
	c.coverage = pairing.Coverage()
	if f.svg != "" {
		if err := os.WriteFile(f.svg, []byte(c.drawing()), 0o644); err != nil {
			return err
		}
	}
	switch {
	case f.asJSON:
		err = p.printJSON(c.result())
	case f.asCSV:
		err = c.writeCSV(p.stdout)
	default:
		err = c.writeText(p.stdout, f.worst)
	}
	if err == nil && slices.ContainsFunc(c.wraps, func(w replay.Wrap) bool { return w.Exceeds() }) {
		err = &exitError{code: exitDifferences}
	}
	return err
}

// setTolerance reads name=amount or name=share%.
func setTolerance(usages []replay.Usage, text string) error {
	name, value, ok := strings.Cut(text, "=")
	name, value = strings.TrimSpace(name), strings.TrimSpace(value)
	if !ok {
		return fmt.Errorf("got %q, want a setpoint and an amount, as feed_length=2%%", text)
	}
	i := slices.IndexFunc(usages, func(u replay.Usage) bool { return u.Field.Name == name || u.Field.Word() == name })
	if i < 0 {
		return fmt.Errorf("no setpoint compared is named %q; want one of %s", name, usageNames())
	}
	u := &usages[i]
	if share, ok := strings.CutSuffix(value, "%"); ok {
		v, err := strconv.ParseFloat(strings.TrimSpace(share), 64)
		if err != nil || !(v >= 0 && v <= 100) {
			return fmt.Errorf("%s: got %q, want 0 to 100 %%", name, value)
		}
		u.Tolerance = replay.Tolerance{Rel: v / 100}
		return nil
	}
	v, err := amountOf(value, u.Field.Dimension)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if v < 0 {
		return fmt.Errorf("%s: got %q, want 0 or more", name, value)
	}
	u.Tolerance = replay.Tolerance{Abs: v}
	return nil
}

// amountOf reads a difference: 9 °F is 5 K, not −13 °C.
func amountOf(text string, dim quantity.Dimension) (float64, error) {
	v, err := quantity.Parse(text, dim)
	if err != nil || dim != quantity.Temperature {
		return v, err
	}
	zero, err := quantity.Parse("0 "+strings.TrimLeft(text, "+-.,0123456789eE "), dim)
	return v - zero, err
}

// fieldUse is how far one setpoint as used is from ours, over all rolls. Mean,
// spread and worst are of used less ours.
type fieldUse struct {
	Name        string   `json:"setpoint"`
	Label       string   `json:"-"`
	Unit        string   `json:"unit,omitempty"`
	Tolerance   string   `json:"tolerance"`
	Compared    int      `json:"compared"`
	NotReported int      `json:"not_reported"`
	Exceeding   int      `json:"exceeding"`
	Mean        *float64 `json:"mean,omitempty"`
	SD          *float64 `json:"sd,omitempty"` // of the sample; from two rolls on
	Worst       *float64 `json:"worst,omitempty"`
	WorstRoll   string   `json:"worst_roll,omitempty"`
}

func (c *comparing) fields() []fieldUse {
	out := make([]fieldUse, len(c.usages))
	for i := range c.usages {
		u := &c.usages[i]
		f := fieldUse{Name: u.Field.Name, Label: u.Field.Label, Unit: u.Field.Unit, Tolerance: c.toleranceText(u)}
		var diffs []float64
		for k := range c.wraps {
			w := &c.wraps[k]
			if w.Held {
				continue
			}
			r := &w.Readings[i]
			if !r.Compared {
				if !r.Reported && r.Ours != 0 {
					f.NotReported++
				}
				continue
			}
			d := r.Difference()
			diffs = append(diffs, d)
			if r.Exceeds() {
				f.Exceeding++
			}
			if d != 0 && (f.Worst == nil || math.Abs(d) > math.Abs(*f.Worst)) {
				f.Worst, f.WorstRoll = &d, wrapName(w)
			}
		}
		f.Compared = len(diffs)
		if len(diffs) > 0 && !namesSomething(u) {
			mean, sd := stat.MeanSD(diffs)
			f.Mean = &mean
			if len(diffs) > 1 {
				f.SD = &sd
			}
		}
		if namesSomething(u) {
			f.Worst, f.WorstRoll = nil, ""
		}
		out[i] = f
	}
	return out
}

// namesSomething reports whether a setpoint is a number without more or less.
func namesSomething(u *replay.Usage) bool { return u.Field.Form != recipe.Number }

func wrapName(w *replay.Wrap) string { return fmt.Sprintf("%d %s", w.Roll, w.Tag) }

func (c *comparing) toleranceText(u *replay.Usage) string {
	t := u.Tolerance
	switch {
	case t.Scale:
		return "of the recipe"
	case t.Rel > 0:
		return plainNumber(t.Rel*100) + " %"
	case t.Abs == 0:
		return "none"
	}
	v, unit := inUnit(t.Abs, u.Field.Unit, c.line)
	return withUnit(plainNumber(v), unit)
}

// worst lists the rolls compared that differ most, in multiples of their
// tolerances.
func (c *comparing) worst(most int) []*replay.Wrap {
	var out []*replay.Wrap
	for i := range c.wraps {
		if w := &c.wraps[i]; w.Worst() > 0 {
			out = append(out, w)
		}
	}
	slices.SortStableFunc(out, func(a, b *replay.Wrap) int { return cmp.Compare(b.Worst(), a.Worst()) })
	return out[:min(most, len(out))]
}

// held lists the first rolls that were wrapped though we would have held them.
func (c *comparing) held(most int) []*replay.Wrap {
	var out []*replay.Wrap
	for i := range c.wraps {
		if w := &c.wraps[i]; w.Held && len(out) < most {
			out = append(out, w)
		}
	}
	return out
}
