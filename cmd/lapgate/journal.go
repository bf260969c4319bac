package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
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
		return out, usageError("--kind: no records are of kind %q; want one of %s", f.kind, strings.Trim(fmt.Sprint(record.Kinds()), "[]"))
	}
	var err error
	out.From, out.To, err = f.window.window(now)
	return out, err
}

// listed is a record of one of several journals.
type listed struct {
	Line    string `json:"line"`
	Machine string `json:"machine"`
	record.View
}

// table is the records that a filter chooses of the journals, in the units of a line; where
// there are none it is the error none, if any. A journal of the engine is named in each row.
func (j *journals) table(ctx context.Context, filter journal.Filter, line *recipe.Line, none error) *present.Table {
	rows := func(yield func(listed, error) bool) {
		empty := true
		for v, err := range j.records(ctx, filter, line) {
			empty = false
			if !yield(v, err) {
				return
			}
		}
		if empty && none != nil {
			yield(listed{}, none)
		}
	}
	if j.reading != nil {
		return present.TableOf(rows)
	}
	return present.TableOf(func(yield func(record.View, error) bool) {
		rows(func(v listed, err error) bool { return yield(v.View, err) })
	})
}

// records are those that a filter chooses, one journal after the other.
func (j *journals) records(ctx context.Context, filter journal.Filter, line *recipe.Line) iter.Seq2[listed, error] {
	return func(yield func(listed, error) bool) {
		for i := range j.list {
			s := &j.list[i]
			err := s.read(ctx, func(r *journal.Reader) error {
				own, err := s.line(ctx, r)
				if err != nil {
					return err
				}
				for v, err := range r.Views(ctx, filter, line) {
					if !yield(listed{own, s.machine(), v}, err) {
						return errStopped
					}
				}
				return nil
			})
			if err != nil {
				if !errors.Is(err, errStopped) {
					yield(listed{}, err)
				}
				return
			}
		}
	}
}

func (p *program) journalList() *cobra.Command {
	var f filterFlags
	var out outputFlags
	var from journalFlags
	var newest int
	cmd := &cobra.Command{
		Use:   "list [PATH]",
		Short: "List the records of a journal, one a line",
		Long: `List prints the records of one journal, or with --engine of every journal that is chosen
there, one journal after the other.`,
		Example: `  lapgate journal list journal/north.db --newest 20
  lapgate journal list --engine --config mill.yaml --line north --kind OUTCOME --since yesterday`,
		Args: from.args(takes(oneJournal)),
		RunE: func(cmd *cobra.Command, args []string) error {
			filter, err := f.filter(p.now())
			if err != nil {
				return err
			}
			if newest < 0 || newest == 0 && cmd.Flags().Changed("newest") {
				return usageError("--newest: got %d, want 1 or more", newest)
			}
			filter.Limit, filter.Newest = newest, newest > 0
			of, err := p.openJournals(cmd.Context(), args, &from)
			if err != nil {
				return err
			}
			defer of.close()
			line, err := of.units(cmd.Context(), p)
			if err != nil {
				return err
			}
			print := p.printer(out, line)
			return print.Print(of.table(cmd.Context(), filter, print.Line, nil))
		},
	}
	f.add(cmd)
	cmd.Flags().IntVarP(&newest, "newest", "n", 0, "only the newest so many records of a journal")
	out.add(cmd)
	from.add(cmd, everyLine)
	return cmd
}

func (p *program) journalShow() *cobra.Command {
	var roll uint32
	var out outputFlags
	var from journalFlags
	cmd := &cobra.Command{
		Use:   "show [PATH] [NUMBER]",
		Short: "Show one record whole, or all of one roll",
		Long: `Show prints all that one record has, or the records of one roll. With --engine it needs no
path, and shows them of each journal of one line, the first of the configuration when none
is named; --machine names that of which a number is.`,
		Args: func(cmd *cobra.Command, args []string) error {
			if from.engine {
				args = append([]string{""}, args...)
			} else if err := from.args(cobra.ArbitraryArgs)(cmd, args); err != nil {
				return err
			}
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
			if roll == 0 {
				last := len(args) - 1
				n, err := strconv.ParseUint(args[last], 10, 63)
				if err != nil || n == 0 {
					return usageError("%q is not the number of a record", args[last])
				}
				f.FromSeq, f.ToSeq, args = n, n, args[:last]
			}
			of, err := p.openLine(cmd.Context(), args, &from)
			if err != nil {
				return err
			}
			defer of.close()
			line, err := of.units(cmd.Context(), p)
			if err != nil {
				return err
			}
			print := p.printer(out, line)
			shown := of.table(cmd.Context(), f, print.Line, fmt.Errorf("journal %s holds no such record", of.names()))
			shown.Apart = true
			return print.Print(shown)
		},
	}
	addRoll(cmd, &roll, "every one")
	out.add(cmd)
	from.add(cmd, likeJournal)
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
	var from journalFlags
	cmd := &cobra.Command{
		Use:   "verify [PATH]",
		Short: "Check a journal whole: every hash, link, number and the order of records",
		Long: `Verify checks the whole journal, also while the daemon appends to it, and
reports all it finds. A tail that was cut off shows only when the head is given
that was kept elsewhere. Exit code 5 when the journal is damaged. What the
controller said and contradicted later is listed beside: no damage of the journal.

With --engine it checks every journal that is chosen there, up to the newest record that
has arrived, and that what records are found by says the same as they do.`,
		Example: `  lapgate journal verify journal/north.db
  lapgate journal verify --engine --config mill.yaml --line north`,
		Args: from.args(takes(oneJournal)),
		RunE: func(cmd *cobra.Command, args []string) error {
			var opts []journal.VerifyOption
			if head != "" {
				h, err := journal.ParseHead(head)
				if err != nil {
					return usageError("--head: %w", err)
				}
				opts = append(opts, journal.ExpectHead(h))
			}
			if !from.engine && from.configured() {
				return usageError("--config, --line and --set are for --engine: a file is checked by itself; leave them out")
			}
			of, err := p.openJournals(cmd.Context(), args, &from)
			if err != nil {
				return err
			}
			defer of.close()
			return p.verify(cmd.Context(), of.list, opts, p.printer(out, nil))
		},
	}
	cmd.Flags().StringVar(&head, "head", "", "a head kept from earlier, NUMBER:HASH, that the chain must hold")
	out.add(cmd)
	from.add(cmd, everyLine)
	return cmd
}

// verify checks journals and prints what is found of each.
func (p *program) verify(ctx context.Context, sources []journalSource, opts []journal.VerifyOption, print *present.Printer) error {
	var all []verified
	sound := true
	for _, s := range sources {
		report, err := p.verifyOne(ctx, s, opts)
		if err != nil {
			return err
		}
		found := verified{"sound", report}
		if !report.OK() {
			sound = false
			found.Verdict = "NOT SOUND, " + plural(len(report.Problems), "problem")
		}
		if n := len(report.Contradictions); n > 0 {
			found.Verdict += "; the controller contradicts itself, " + plural(n, "time")
		}
		all = append(all, found)
	}
	var value any = present.Apart(all)
	if len(all) == 1 {
		value = all[0]
	}
	err := print.Print(value)
	if err == nil && !sound {
		err = &exitError{code: exitDifferences}
	}
	return err
}

func (p *program) verifyOne(ctx context.Context, s journalSource, opts []journal.VerifyOption) (report *journal.Report, err error) {
	bar := present.NewProgress(p.stderr, "records checked")
	defer bar.Clear()
	opts = append(slices.Clone(opts), journal.Progress(bar.Follow))
	if s.chain == nil {
		return journal.Verify(ctx, s.name, opts...)
	}
	err = s.read(ctx, func(r *journal.Reader) error {
		report, err = journal.VerifyReader(ctx, r, opts...)
		return err
	})
	return report, err
}

func (p *program) journalExport() *cobra.Command {
	var f filterFlags
	var from journalFlags
	var path, format string
	cmd := &cobra.Command{
		Use:   "export [PATH]",
		Short: "Write records as they are stored, or one row a roll, for another program",
		Long: `Export writes records as they are stored, one JSON object a line with its hashes, in the
units of the wire where they are so: the hash of each record is over that form. For SI
with words in place of numbers use journal list --json.

With --format csv it writes one row for each roll that left the station, with the unit
of each column in the header, in the units of the configuration named. The names of the
columns stay; report --csv prints the same ones.

With --engine it writes the rolls of one line, the first of the configuration when none is
named, or the records of each of its journals, one journal after the other.`,
		Example: `  lapgate journal export journal/north.db --output north.jsonl
  lapgate journal export journal/north.db --format csv --since yesterday --config mill.yaml
  lapgate journal export --engine --config mill.yaml --line north --machine north-a --output north.jsonl`,
		Args: from.args(takes(oneJournal)),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			if !slices.Contains(exportFormats, format) {
				return usageError("--format: got %q, want one of %v", format, exportFormats)
			}
			table := format == formatCSV
			if table && f.kind != "" {
				return usageError("--kind chooses records, and a table has a row for each roll; leave it out, or leave out --format csv")
			}
			if !table && !from.engine && from.configured() {
				return usageError("--config, --line and --set give the units of a table; records are written as they are stored: leave them out, or give --format csv")
			}
			of, err := p.openLine(cmd.Context(), args, &from)
			if err != nil {
				return err
			}
			defer of.close()
			if table {
				if _, _, err := of.config(cmd.Context(), p); err != nil { // the zone of the mill too
					return err
				}
			}
			filter, err := f.filter(p.now())
			if err != nil {
				return err
			}
			if table {
				return p.exportRolls(cmd.Context(), of, filter, path)
			}
			return p.exportRecords(cmd.Context(), of.list, filter, path)
		},
	}
	f.add(cmd)
	from.add(cmd, likeJournal)
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

// exportRecords writes the records chosen of journals as they are stored.
func (p *program) exportRecords(ctx context.Context, of []journalSource, filter journal.Filter, to string) error {
	all := uint64(0)
	err := p.write(to, func(w io.Writer) error {
		for _, one := range of {
			err := one.read(ctx, func(r *journal.Reader) error {
				n, err := r.Export(ctx, filter, w)
				all += n
				return err
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		fmt.Fprintf(p.stderr, "%d records exported\n", all)
	}
	return err
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
			of := fileSource(args[0])
			return of.read(cmd.Context(), func(r *journal.Reader) error {
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
