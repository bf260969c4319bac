package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/journal"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

func (p *program) journalCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "journal",
		Short: "List, show, verify, export, back up and accept a journal, and tell who changed what",
		Long: `The journal is the durable record of one line. All but accept and correct only read it,
also while the daemon appends to it, and write nothing beside it.`,
	}
	cmd.AddCommand(p.journalList(), p.journalShow(), p.journalVerify(), p.journalExport(), p.journalBackup(), p.journalChanges(), p.journalAccept(), p.journalRegister(), p.journalCorrect())
	return cmd
}

// filterFlags choose records.
type filterFlags struct {
	window windowFlags
	roll   uint32
	kind   string
}

func (f *filterFlags) add(cmd *cobra.Command) {
	addRoll(cmd, &f.roll, "every one")
	cmd.Flags().StringVar(&f.kind, "kind", "", "only records of this kind, as OUTCOME")
	f.window.add(cmd)
}

func (f *filterFlags) filter(now time.Time) (journal.Filter, error) {
	out := journal.Filter{Roll: f.roll, Kind: record.Kind(strings.ToUpper(f.kind))}
	if out.Kind != "" && !out.Kind.Known() {
		return out, usageError("--kind: no records are of kind %q", f.kind)
	}
	var err error
	out.From, out.To, err = f.window.window(now)
	return out, err
}

// unitsFlags say in whose units a command prints that reads no configuration
// for anything else.
type unitsFlags struct {
	source sourceFlags
	line   string
}

func (f *unitsFlags) add(cmd *cobra.Command) {
	f.source.add(cmd)
	addLine(cmd, &f.line, likeJournal)
}

// likeJournal is what is meant where no line is named beside a journal.
const likeJournal = "the one that the journal is named after, else the first"

// unitsOf returns the line in whose units to print, nil where none is named.
func (p *program) unitsOf(f *unitsFlags, path string) (*recipe.Line, error) {
	if f.source.path == "" && p.getenv(configVariable) == "" {
		if f.line != "" || len(f.source.set) > 0 {
			return nil, usageError("--line and --set need the configuration that they are of: name it with --config, or $%s", configVariable)
		}
		return nil, nil
	}
	snapshot, err := p.load(&f.source)
	if err != nil {
		return nil, err
	}
	line, err := lineFor(snapshot, f.line, path)
	if err != nil {
		return nil, err
	}
	return line.Recipe, nil
}

// readJournal calls do with a reader of a journal.
func readJournal(ctx context.Context, path string, do func(*journal.Reader) error) (err error) {
	r, err := journal.OpenWhole(ctx, path)
	var damage *journal.DamageError
	if errors.As(err, &damage) {
		return &exitError{exitDifferences, err}
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	return do(r)
}

// scanRolls calls each with every roll of a journal, or with those that left since a
// time, and tells how far it is.
func (p *program) scanRolls(ctx context.Context, path string, since time.Time, each func(*record.Roll) error) error {
	bar := present.NewProgress(p.stderr, "records read")
	defer bar.Clear()
	return journal.ScanRolls(ctx, path, since, bar.Follow, each)
}

// some is a list that ends with an error when it is empty.
func some[T any](list iter.Seq2[T, error], none error) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		empty := true
		for v, err := range list {
			empty = false
			if !yield(v, err) {
				return
			}
		}
		if empty {
			var zero T
			yield(zero, none)
		}
	}
}

func (p *program) journalList() *cobra.Command {
	var f filterFlags
	var out outputFlags
	var units unitsFlags
	var newest int
	cmd := &cobra.Command{
		Use:   "list PATH",
		Short: "List the records of a journal, one a line",
		Args:  takes(oneJournal),
		RunE: func(cmd *cobra.Command, args []string) error {
			line, err := p.unitsOf(&units, args[0])
			if err != nil {
				return err
			}
			filter, err := f.filter(p.now())
			if err != nil {
				return err
			}
			filter.Limit, filter.Newest = newest, newest > 0
			print := p.printer(out, line)
			return readJournal(cmd.Context(), args[0], func(r *journal.Reader) error {
				return print.Print(present.TableOf(r.Views(cmd.Context(), filter, print.Line)))
			})
		},
	}
	f.add(cmd)
	cmd.Flags().IntVarP(&newest, "newest", "n", 0, "only the newest so many records")
	out.add(cmd)
	units.add(cmd)
	return cmd
}

func (p *program) journalShow() *cobra.Command {
	var roll uint32
	var out outputFlags
	var units unitsFlags
	cmd := &cobra.Command{
		Use:   "show PATH [NUMBER]",
		Short: "Show one record whole, or all of one roll",
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case len(args) < 1 || len(args) > 2:
				return usageError("lapgate journal show takes the path of a journal and the number of a record, got %d arguments", len(args))
			case (len(args) == 2) == (roll != 0):
				return usageError("give either the number of a record or --roll NUMBER")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			f := journal.Filter{Roll: roll}
			if len(args) == 2 {
				n, err := strconv.ParseUint(args[1], 10, 63)
				if err != nil || n == 0 {
					return usageError("%q is not the number of a record", args[1])
				}
				f.FromSeq, f.ToSeq = n, n
			}
			line, err := p.unitsOf(&units, args[0])
			if err != nil {
				return err
			}
			print := p.printer(out, line)
			return readJournal(cmd.Context(), args[0], func(r *journal.Reader) error {
				shown := present.TableOf(some(r.Views(cmd.Context(), f, print.Line), fmt.Errorf("journal %s holds no such record", args[0])))
				shown.Apart = true
				return print.Print(shown)
			})
		},
	}
	addRoll(cmd, &roll, "every one")
	out.add(cmd)
	units.add(cmd)
	return cmd
}

// verified is what verify found.
type verified struct {
	Verdict string `json:"verdict"`
	*journal.Report
}

func (p *program) journalVerify() *cobra.Command {
	var head string
	var out outputFlags
	cmd := &cobra.Command{
		Use:   "verify PATH",
		Short: "Check a journal whole: every hash, link, number and the order of records",
		Long: `Verify checks the whole journal, also while the daemon appends to it, and
reports all it finds. A tail that was cut off shows only when the head is given
that was kept elsewhere. Exit code 5 when the journal is damaged. What the
controller said and contradicted later is listed beside: no damage of the journal.`,
		Args: takes(oneJournal),
		RunE: func(cmd *cobra.Command, args []string) error {
			var opts []journal.VerifyOption
			if head != "" {
				h, err := journal.ParseHead(head)
				if err != nil {
					return usageError("--head: %w", err)
				}
				opts = append(opts, journal.ExpectHead(h))
			}
			bar := present.NewProgress(p.stderr, "records checked")
			opts = append(opts, journal.Progress(bar.Follow))
			report, err := journal.Verify(cmd.Context(), args[0], opts...)
			bar.Clear()
			if err != nil {
				return err
			}
			found := verified{"sound", report}
			if !report.OK() {
				found.Verdict = "NOT SOUND, " + plural(len(report.Problems), "problem")
			}
			if n := len(report.Contradictions); n > 0 {
				found.Verdict += "; the controller contradicts itself, " + plural(n, "time")
			}
			err = p.printer(out, nil).Print(found)
			if err == nil && !report.OK() {
				err = &exitError{code: exitDifferences}
			}
			return err
		},
	}
	cmd.Flags().StringVar(&head, "head", "", "a head kept from earlier, NUMBER:HASH, that the chain must hold")
	out.add(cmd)
	return cmd
}

func (p *program) journalExport() *cobra.Command {
	var f filterFlags
	var units unitsFlags
	var path, format string
	cmd := &cobra.Command{
		Use:   "export PATH",
		Short: "Write records as they are stored, or one row a roll, for another program",
		Long: `Export writes records as they are stored, one JSON object a line with its hashes, in the
units of the wire where they are so: the hash of each record is over that form. For SI
with words in place of numbers use journal list --json.

With --format csv it writes one row for each roll that left the station, with the unit
of each column in the header, in the units of the configuration named. The names of the
columns stay; report --csv prints the same ones.`,
		Example: `  lapgate journal export journal/north.db --output north.jsonl
  lapgate journal export journal/north.db --format csv --since yesterday --config mill.yaml`,
		Args: takes(oneJournal),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			if !slices.Contains(exportFormats, format) {
				return usageError("--format: got %q, want one of %v", format, exportFormats)
			}
			table := format == formatCSV
			if table && f.kind != "" {
				return usageError("--kind chooses records, and a table has a row for each roll; leave it out, or leave out --format csv")
			}
			if !table && (units.source.path != "" || units.line != "" || len(units.source.set) > 0) {
				return usageError("--config, --line and --set give the units of a table; records are written as they are stored: leave them out, or give --format csv")
			}
			var line *recipe.Line
			if table {
				if line, err = p.unitsOf(&units, args[0]); err != nil {
					return err
				}
			}
			filter, err := f.filter(p.now())
			if err != nil {
				return err
			}
			if table {
				return p.exportRolls(cmd.Context(), args[0], line, filter, path)
			}
			return p.exportRecords(cmd.Context(), args[0], filter, path)
		},
	}
	f.add(cmd)
	units.add(cmd)
	cmd.Flags().StringVar(&format, "format", formatJSON, fmt.Sprintf("one of %v: records as they are stored, or a table of the rolls", exportFormats))
	addOutput(cmd, &path)
	return cmd
}

// The forms of an export.
const (
	formatJSON = "json"
	formatCSV  = "csv"
)

var exportFormats = []string{formatJSON, formatCSV}

// newFile opens the new file that a command writes to, standard output for no name.
func (p *program) newFile(path string) (w io.Writer, closed func() error, err error) {
	if path == "" {
		return p.stdout, func() error { return nil }, nil
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, nil, err
	}
	return file, file.Close, nil
}

// exportRecords writes the records chosen as they are stored.
func (p *program) exportRecords(ctx context.Context, path string, filter journal.Filter, to string) error {
	return readJournal(ctx, path, func(r *journal.Reader) (err error) {
		w, closed, err := p.newFile(to)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, closed()) }()
		n, err := r.Export(ctx, filter, w)
		if err == nil {
			fmt.Fprintf(p.stderr, "%d records exported\n", n)
		}
		return err
	})
}

// backupResult is where a journal was copied to, and its end there.
type backupResult struct {
	Copy string       `json:"copy"`
	Head journal.Head `json:"head"`
}

func (p *program) journalBackup() *cobra.Command {
	var out outputFlags
	cmd := &cobra.Command{
		Use:   "backup PATH COPY",
		Short: "Copy a journal as it stands to a new file, also from a live daemon",
		Long: `Backup copies the file that the journal is written to. Its archives are files that
do not change any more; copy them as they are.`,
		Args: takes("the path of a journal", "the path of the copy"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return readJournal(cmd.Context(), args[0], func(r *journal.Reader) error {
				head, err := r.Backup(cmd.Context(), args[1])
				if err != nil {
					return err
				}
				return p.printer(out, nil).Print(backupResult{args[1], head})
			})
		},
	}
	out.add(cmd)
	return cmd
}
