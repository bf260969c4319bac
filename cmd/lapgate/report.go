package main

import (
	"context"
	"os"

	"github.com/spf13/cobra"

	"lapgate/gateway/journal"
	"lapgate/gateway/report"
)

// reportFlags are the flags of `report`.
type reportFlags struct {
	window windowFlags
	html   string
	out    outputFlags
	units  unitsFlags
}

func (p *program) reportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report JOURNAL",
		Short: "Report a shift from its journal, also as one HTML page",
		Long: `Report reads the journal alone. It tells of each roll that left the station in
the time chosen, of the outcomes, the holds by code and the deviations of the
scale; --csv prints the rolls. --html also writes one page with drawings, without
scripts or outside references.`,
		Example: `  lapgate report journal/north.db --since '2026-03-01 22:00' --until '2026-03-02 06:00' --html night.html`,
		Args:    takes(oneJournal),
		RunE:    func(cmd *cobra.Command, args []string) error { return p.report(cmd.Context(), args[0], &f) },
	}
	f.window.add(cmd)
	cmd.Flags().StringVar(&f.html, "html", "", "also write one HTML page to this file")
	f.out.add(cmd)
	f.units.add(cmd)
	return cmd
}

func (p *program) report(ctx context.Context, path string, f *reportFlags) error {
	line, err := p.unitsOf(&f.units, path)
	if err != nil {
		return err
	}
	since, until, err := f.window.window(p.now())
	if err != nil {
		return err
	}
	var head journal.Head
	err = readJournal(ctx, path, func(r *journal.Reader) (err error) { head, err = r.Head(ctx); return err })
	if err != nil {
		return err
	}
	shift := report.NewShift(path, head.String(), since, until)
	if err := p.scanRolls(ctx, path, since, shift.Take); err != nil {
		return err
	}
	shift.Finish()
	print := p.printer(f.out, line)
	if f.html != "" {
		if err := os.WriteFile(f.html, []byte(shift.Page(print.Line, print.Zone)), 0o644); err != nil {
			return err
		}
	}
	return print.Print(shift)
}
