package main

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"lapgate/recipe/quantity"
)

// A flag has one meaning over the whole program. Those that several commands
// have are defined here, with one usage text each; only their default may differ
// by command, which a text tells as "(default ...)".

// addLine adds the line that a command is for. unnamed tells which is meant
// where none is named.
func addLine(cmd *cobra.Command, line *string, unnamed string) {
	cmd.Flags().StringVar(line, "line", "", "the line of the configuration (default "+unnamed+")")
}

// What is meant where no line is named.
const (
	firstLine = "the first"
	onlyLine  = "the only one"
	allLines  = "all"
)

// addPerson adds who answers for a command, and why it is given.
func addPerson(cmd *cobra.Command, by, reason *string, unnamed string) {
	addBy(cmd, by, unnamed)
	cmd.Flags().StringVar(reason, "reason", "", "why, in words that the journal keeps")
}

func addBy(cmd *cobra.Command, by *string, unnamed string) {
	usage := "name of the person who answers for it"
	if unnamed != "" {
		usage += " (default " + unnamed + ")"
	}
	cmd.Flags().StringVar(by, "by", "", usage)
}

// folder is the value of a flag that names a folder, which may not be there yet.
type folder string

func (f *folder) Set(text string) error {
	if info, err := os.Stat(text); err == nil && !info.IsDir() {
		return errors.New("want a folder, and that is a file")
	}
	*f = folder(text)
	return nil
}

func (f *folder) String() string { return string(*f) }

// Type is the word for the value in the help.
func (*folder) Type() string { return "string" }

func addFolder(cmd *cobra.Command, to *string, name, unnamed, usage string) {
	*to = unnamed
	cmd.Flags().Var((*folder)(to), name, usage)
}

// period is the value of a flag that says for how long: a time above 0.
type period time.Duration

func (p *period) Set(text string) error {
	switch d, err := time.ParseDuration(text); {
	case err != nil:
		return errors.New("want a time with its unit and of ordinary size, as 30s, 10m or 2h")
	case d <= 0:
		return errors.New("want a time above 0, as 30s, 10m or 2h")
	default:
		*p = period(d)
		return nil
	}
}

func (p *period) String() string {
	if *p == 0 {
		return "" // of which the help does not tell
	}
	return time.Duration(*p).String()
}

// Type is the word for the value in the help.
func (*period) Type() string { return "duration" }

func addPeriod(cmd *cobra.Command, to *time.Duration, name string, unnamed time.Duration, usage string) {
	*to = unnamed
	cmd.Flags().Var((*period)(to), name, usage)
}

func addTimeout(cmd *cobra.Command, timeout *time.Duration, longest time.Duration) {
	addPeriod(cmd, timeout, "timeout", longest, "longest wait for an answer")
}

// addUncertainties adds how well a roll is measured.
func addUncertainties(cmd *cobra.Command, diameter, width *string) {
	cmd.Flags().StringVar(diameter, "diameter-uncertainty", "0 mm", "standard uncertainty of the diameter")
	cmd.Flags().StringVar(width, "width-uncertainty", "0 mm", "standard uncertainty of the width")
}

// addOuter adds how much hangs on the stand. unnamed is what is meant where nothing
// is told.
func addOuter(cmd *cobra.Command, outer *string, unnamed string) {
	cmd.Flags().StringVar(outer, "outer", unnamed, "outer diameter of what hangs on the stand, as \"1 m\"")
}

// outerOffline hangs where no controller tells of it.
const outerOffline = "1 m"

func addWidth(cmd *cobra.Command, width *string) {
	cmd.Flags().StringVar(width, "width", "", "width of the roll that the command is about, as \"60 in\"")
}

// addMaterial adds the head material; unnamed is the one that is meant where none is
// named.
func addMaterial(cmd *cobra.Command, material *string, unnamed string) {
	usage := "head material, by its name in head_materials"
	if unnamed != "" {
		usage += " (default " + unnamed + ")"
	}
	cmd.Flags().StringVar(material, "material", "", usage)
}

func addUntil(cmd *cobra.Command, until *string) {
	cmd.Flags().StringVar(until, "until", "", "the end in time, as 06:00, today, '2026-03-01 22:00' here or 2026-03-01T22:00:00Z")
}

func addYes(cmd *cobra.Command, yes *bool) {
	cmd.Flags().BoolVar(yes, "yes", false, "do it without asking")
}

// addPair adds that an act is of both machines of a pair.
func addPair(cmd *cobra.Command, pair *bool) {
	cmd.Flags().BoolVar(pair, "pair", false, "both machines of a pair: arm arms both or neither, demo has two daemons and kills the one that acts")
}

// addPlaten adds how hot the press is.
func addPlaten(cmd *cobra.Command, platen *string) {
	cmd.Flags().StringVar(platen, "platen", "", "temperature of the platen while pressing, of the cooler one of two, as \"345 °F\" (default the setpoint of the head material)")
}

func addSpec(cmd *cobra.Command, spec *string, unnamed string) {
	cmd.Flags().StringVar(spec, "spec", "", "wrap specification (default "+unnamed+")")
}

// addWatch adds that a command looks more than once. what tells which values it takes.
func addWatch(cmd *cobra.Command, watch *string, what string) {
	cmd.Flags().StringVar(watch, "watch", "", "look again and again until interrupted (default once; "+what+")")
}

// addCandidates adds which wrappers could hang.
func addCandidates(cmd *cobra.Command, candidates *string) {
	cmd.Flags().StringVar(candidates, "candidates", "", "wrappers to choose from: a list of widths, or a CSV file of the stock")
}

// addPaperPrices adds what the wrapper costs.
func addPaperPrices(cmd *cobra.Command, prices *[]string) {
	cmd.Flags().StringArrayVar(prices, "paper-price", nil, "price of paper by area, as 0.35/m2, or by mass, as 1.20/kg, of all or of one paper, as kraft=0.35/m2; may be repeated")
}

func addSVG(cmd *cobra.Command, file *string) {
	cmd.Flags().StringVar(file, "svg", "", "also draw into this SVG file")
}

// addOutput adds where a command writes what it would print.
func addOutput(cmd *cobra.Command, path *string) {
	cmd.Flags().StringVarP(path, "output", "o", "", "write to this new file instead of standard output")
}

func addRoll(cmd *cobra.Command, roll *uint32, unnamed string) {
	cmd.Flags().Uint32Var(roll, "roll", 0, "number of the roll (default "+unnamed+")")
}

// addRolls adds how many rolls a command is for.
func addRolls(cmd *cobra.Command, rolls *int, unnamed int) {
	cmd.Flags().IntVar(rolls, "rolls", unnamed, "for so many rolls")
}

// takes wants exactly so many arguments as are named.
func takes(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) == len(names):
			return nil
		case len(names) == 0:
			return usageError("%s takes no arguments, got %q; give what it needs by flags", cmd.CommandPath(), args[0])
		}
		return usageError("%s takes %s, got %d arguments", cmd.CommandPath(), strings.Join(names, " and "), len(args))
	}
}

// mayTake wants one argument or none.
func mayTake(name string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) > 1 {
			return usageError("%s takes %s, got %d arguments", cmd.CommandPath(), name, len(args))
		}
		return nil
	}
}

// oneJournal is the argument of a command that reads a journal.
const oneJournal = "the path of one journal"

// plainFlagError says what a flag wants in place of what the parser of numbers
// says, and which flag was probably meant.
func plainFlagError(cmd *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	if errors.As(err, &unknown) {
		if args := cmd.Flags().Args(); !cmd.HasParent() && len(args) > 0 { // the flag is that of a command mistyped
			return unknownCommand(cmd, args[0])
		}
		var names []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
		if near := quantity.Nearest(unknown.GetSpecifiedName(), names); near != "" {
			return fmt.Errorf("%w; did you mean --%s?", err, near)
		}
		return err
	}
	var number *strconv.NumError
	if !errors.As(err, &number) {
		return err
	}
	want := "a number"
	switch {
	case number.Func == "ParseBool":
		want = "true or false"
	case errors.Is(err, strconv.ErrRange):
		want = "a number of ordinary size"
	case number.Func != "ParseFloat":
		want = "a whole number"
	}
	place, _, _ := strings.Cut(err.Error(), ": strconv.")
	return fmt.Errorf("%s: want %s", place, want)
}
