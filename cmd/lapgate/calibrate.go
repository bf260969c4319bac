package main

import (
	"context"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe/problem"
	"lapgate/recipe/quantity"
)

// calibrateFlags are the flags of `calibrate`.
type calibrateFlags struct {
	from                    journalFlags
	output                  outputFlags
	by, head                string
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
		Args: f.from.args(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, name := range []string{"material", "platen", "start", "pressure"} {
				if len(f.bond) == 0 && cmd.Flags().Changed(name) {
					return usageError("--%s is about a curve: name it with --bond", name)
				}
			}
			return p.calibrate(cmd.Context(), args, &f)
		},
	}
	f.from.add(cmd, likeJournal)
	f.output.add(cmd)
	addBy(cmd, &f.by, "")
	fl := cmd.Flags()
	fl.StringArrayVar(&f.bond, "bond", nil, "curve of a thermocouple at a bond line, a CSV file; may be repeated")
	addMaterial(cmd, &f.head, "the first that is fused")
	addPlaten(cmd, &f.platen)
	fl.StringVar(&f.start, "start", "", "temperature of head and roll before pressing (default that of the configuration)")
	fl.StringVar(&f.pressure, "pressure", "", "contact pressure on the ring while pressing (default the reference pressure of the configuration)")
	return cmd
}

func (p *program) calibrate(ctx context.Context, args []string, f *calibrateFlags) error {
	recorded := len(args) > 0 || f.from.engine
	switch {
	case f.by == "":
		return usageError("--by is missing: name the person who answers for the measurement")
	case !recorded && len(f.bond) == 0:
		return usageError("nothing to calibrate from: name a journal, or a curve with --bond")
	case !p.names(&f.from.source):
		return usageError("name the configuration of the line with --config, or $%s", configVariable)
	}
	of, err := p.openLine(ctx, args, &f.from)
	if err != nil {
		return err
	}
	defer of.close()
	snapshot, line, err := of.config(ctx, p)
	if err != nil {
		return err
	}
	index := slices.IndexFunc(snapshot.Lines, func(l config.Line) bool { return l.Recipe == line.Recipe })
	c := process.NewCalibration(line.Recipe, index, time.Now().In(p.zone()).Format(time.DateOnly), f.by)
	if len(f.bond) > 0 {
		if err := f.curves(c); err != nil {
			return err
		}
	}
	rolls := 0
	if recorded {
		var actuals process.Actuals
		err := p.scanRolls(ctx, of.list, time.Time{}, func(r *record.Roll) error {
			rolls++
			actuals.Take(line.Recipe, r)
			return nil
		})
		if err != nil {
			return err
		}
		c.Rolls(&actuals)
	}
	out, err := c.Estimates()
	if err != nil {
		return err
	}
	out.Journal, out.Curves, out.Rolls = of.names(), f.bond, rolls
	return p.printer(f.output, line.Recipe).Print(out)
}

// curves reads the curves and hands them over with the pressing that the flags
// tell of.
func (f *calibrateFlags) curves(c *process.Calibration) error {
	pressing, err := f.pressing()
	if err != nil {
		return usageError("%w", err)
	}
	if err := c.Press(pressing); err != nil {
		return usageError("%w", err)
	}
	var curves []process.Curve
	for _, path := range f.bond {
		file, err := openFile(path)
		if err != nil {
			return err
		}
		curve, err := process.ReadCurve(path, file)
		_ = file.Close()
		if err != nil {
			return err
		}
		curves = append(curves, curve)
	}
	return c.Curves(curves)
}

func (f *calibrateFlags) pressing() (process.Pressing, error) {
	var problems problem.List
	value := func(flag, text string, d quantity.Dimension) *float64 {
		if text == "" {
			return nil
		}
		v, err := quantity.Parse(text, d)
		problems.Flag(flag, text, err)
		return &v
	}
	p := process.Pressing{
		Material: f.head,
		Platen:   value("platen", f.platen, quantity.Temperature),
		Start:    value("start", f.start, quantity.Temperature),
		Pressure: value("pressure", f.pressure, quantity.Pressure),
	}
	return p, problems.Err()
}
