package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/journal"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
)

// reportFlags are the flags of `report`.
type reportFlags struct {
	window windowFlags
	html   string
	out    outputFlags
	from   journalFlags
}

func (p *program) reportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report [JOURNAL]",
		Short: "Report a shift from the journal, also as one HTML page with the rolls as CSV beside it",
		Long: `Report tells of each roll that left the station in the time chosen, and of the line:
holds by reason, overhangs, scale, wrapper by slot, times, breaks of the link, who armed
it and what was changed. It reads journals alone, with their archives, and may run
beside the daemon.

JOURNAL is the journal of one line, or an archive of it. Without one it is that of every
line of the configuration, or of the one named with --line. A configuration beside a
journal gives units, windows and limits: name it, or they are not known.

--engine reports from what has arrived of the journals in the engine of the
configuration: of every line of its mill, of one, or of all mills. What both machines of a
pair served is one report, unless --machine names one. It says up to when the records of
each have arrived, and what one holds alone and has not yet arrived.

--html writes one file to print or to send, without scripts or outside references: each
roll has its sheet in it, shown by its link. Beside it, under the same name with .csv,
stands a table of the rolls, the same as --csv and journal export --format csv print.`,
		Example: `  lapgate report --config mill.yaml --since 22:00 --until 06:00 --html night.html
  lapgate report --config mill.yaml --line north --since yesterday --until today
  lapgate report journal/north.db --since 2026-11-25 --csv
  lapgate report --engine --config mill.yaml --since yesterday`,
		Args: f.from.args(mayTake(oneJournal)),
		RunE: func(cmd *cobra.Command, args []string) error { return p.report(cmd.Context(), args, &f) },
	}
	f.window.add(cmd)
	cmd.Flags().StringVar(&f.html, "html", "", "also write one HTML page to this file")
	f.out.add(cmd)
	f.from.add(cmd, everyLine)
	return cmd
}

func (p *program) report(ctx context.Context, args []string, f *reportFlags) error {
	if strings.EqualFold(filepath.Ext(f.html), ".csv") {
		return usageError("--html: %s is the name of the table that is written beside the page; name the page .html", f.html)
	}
	if err := aPage.may(f.html); err != nil {
		return err
	}
	list, closed, err := p.reported(ctx, args, f)
	if err != nil {
		return err
	}
	defer closed()
	since, until, err := f.window.window(p.now())
	if err != nil {
		return err
	}
	var shifts []*report.Shift
	for _, one := range list {
		s, err := p.shift(ctx, &one, since, until)
		if errors.Is(err, fs.ErrNotExist) && len(list) > 1 {
			fmt.Fprintln(p.stderr, one.words.Of("report.no-journal", "line", one.line.Name))
			continue
		}
		if err != nil {
			return err
		}
		shifts = append(shifts, s)
	}
	if len(shifts) == 0 {
		return errors.New(list[0].words.Of("report.no-journal.at-all", "command", "lapgate run"))
	}
	if f.html != "" {
		if err := p.writePage(f.html, shifts, &list[0]); err != nil {
			return err
		}
	}
	print := p.printer(f.out, list[0].line)
	print.Words = list[0].words
	return printShifts(print, shifts)
}

// shift reads the report of one line.
func (p *program) shift(ctx context.Context, of *reported, since, until time.Time) (*report.Shift, error) {
	line := of.line
	if line == nil {
		line = p.printer(outputFlags{}, nil).Line
	}
	what := report.Of{Units: line, Recipe: of.line, Hash: of.hash, Arriving: of.journals[0].chain != nil}
	var modes []record.Stored
	for i := range of.journals {
		one := &of.journals[i]
		err := one.read(ctx, func(r *journal.Reader) error {
			head, err := r.Head(ctx)
			if err == nil {
				what.Line, err = one.line(ctx, r)
			}
			what.Journals = append(what.Journals, report.Journal{Name: one.name, Head: head.String(), Machine: one.machine()})
			if err != nil || since.IsZero() {
				return err
			}
			mode, err := modeBefore(ctx, r, since)
			if mode != nil {
				mode.Journal = i
				modes = append(modes, *mode)
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	for i := range of.others {
		what.Others = append(what.Others, report.Journal{Name: of.others[i].name, Machine: of.others[i].machine()})
	}
	s := report.NewShift(what, since, until)
	for _, m := range modes {
		s.Begin(m)
	}
	if err := p.scanTogether(ctx, of.journals, func(int) journal.Part { return journal.Part{Since: since} }, s.Add); err != nil {
		return nil, err
	}
	if what.Arriving {
		if err := of.askBefore(ctx, s); err != nil {
			return nil, err
		}
	}
	return s, s.Finish()
}

// modeBefore is the newest record before a time that allowed or forbade writing, as it
// was or as it was carried over; nil for none.
func modeBefore(ctx context.Context, r *journal.Reader, since time.Time) (*record.Stored, error) {
	var out *record.Stored
	for _, kind := range []record.Kind{record.KindMode, record.KindCarry} {
		found, err := r.List(ctx, journal.Filter{Kind: kind, To: since, Limit: 1, Newest: true})
		if err != nil {
			return nil, err
		}
		for _, s := range found {
			if c, ok := s.Record.(record.Carry); ok {
				if c.Mode == nil {
					continue
				}
				s.Record = *c.Mode
			}
			if out == nil || s.Seq > out.Seq && kind == record.KindMode {
				out = &s
			}
		}
	}
	return out, nil
}

// writePage writes the page of reports, and the table of their rolls beside it.
func (p *program) writePage(path string, shifts []*report.Shift, of *reported) error {
	page, err := report.Page(shifts, p.zone(), of.words)
	if err != nil {
		return err
	}
	var rolls bytes.Buffer
	print := p.printerTo(&rolls, outputFlags{present.Form{CSV: true}}, of.line)
	if err := printShifts(print, shifts); err != nil {
		return err
	}
	table := strings.TrimSuffix(path, filepath.Ext(path)) + ".csv"
	aTable := firstColumns(rolls.String())
	if err := aTable.may(table); err != nil {
		return err
	}
	return errors.Join(aPage.write(path, string(page)), aTable.write(table, rolls.String()))
}

// firstColumns is how the table of rolls begins, before the columns that have units.
func firstColumns(table string) again {
	i := strings.Index(table, ",")
	return again(table[:i+1+strings.Index(table[i+1:], ",")])
}

// printShifts prints reports; as CSV the rolls of all.
func printShifts(print *present.Printer, shifts []*report.Shift) error {
	switch {
	case print.Form.CSV:
		rolls := []report.Roll{}
		for _, s := range shifts {
			rolls = append(rolls, s.Rolls...)
		}
		return print.Print(rolls)
	case len(shifts) == 1:
		return print.Print(shifts[0])
	}
	return print.Print(present.Apart(shifts))
}

// exportRolls writes the rolls of the journals of a line as a table, one row a roll, while
// they are read.
func (p *program) exportRolls(ctx context.Context, of *journals, filter journal.Filter, to string) error {
	line, err := of.units(ctx, p)
	if err != nil {
		return err
	}
	name, err := of.list[0].lineName(ctx)
	if err != nil {
		return err
	}
	n := 0
	rows := func(yield func(report.Roll, error) bool) {
		err := p.scanRolls(ctx, of.list, filter.From, func(r *record.Roll) error {
			if !leftIn(r, &filter) {
				return nil
			}
			row, err := report.RollOf(name, line, r)
			if err != nil {
				return err
			}
			n++
			if !yield(row, nil) {
				return errStopped
			}
			return nil
		})
		if err != nil && !errors.Is(err, errStopped) {
			yield(report.Roll{}, err)
		}
	}
	err = p.write(to, func(w io.Writer) error {
		return p.printerTo(w, outputFlags{present.Form{CSV: true}}, line).Print(present.TableOf(rows))
	})
	if err == nil {
		fmt.Fprintf(p.stderr, "%s exported\n", plural(n, "roll"))
	}
	return err
}

// errStopped ends a scan whose rolls nobody takes any more.
var errStopped = errors.New("the table cannot be written on")

// leftIn reports whether a roll left the station in the time of a filter, and has its
// number where it names one.
func leftIn(r *record.Roll, f *journal.Filter) bool {
	return r.Outcome != nil && !r.OutcomeAt.At.Before(f.From) && (f.To.IsZero() || r.OutcomeAt.At.Before(f.To)) && (f.Roll == 0 || r.Number == f.Roll)
}
