package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

func (p *program) journalCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "journal",
		Short: "List, show, verify, export and back up a journal",
		Long: `The journal is the durable record of one line. These commands read it, also
while the daemon appends to it.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return usageError("a command is missing; want one of list, show, verify, export, backup")
		},
	}
	cmd.AddCommand(p.journalList(), p.journalShow(), p.journalVerify(), p.journalExport(), p.journalBackup())
	return cmd
}

// recordOut is a record as it is printed as JSON.
type recordOut struct {
	Seq    uint64        `json:"seq"`
	At     time.Time     `json:"at"`
	Kind   record.Kind   `json:"kind"`
	Roll   uint32        `json:"roll_no,omitempty"`
	Record record.Record `json:"record"`
}

func outOf(s record.Stored) recordOut {
	return recordOut{s.Seq, s.At, s.Record.Kind(), s.Record.RollNo(), s.Record}
}

// filterFlags are the flags that choose records.
type filterFlags struct {
	roll         uint32
	kind         string
	since, until string
}

func (f *filterFlags) add(cmd *cobra.Command) {
	cmd.Flags().Uint32Var(&f.roll, "roll", 0, "only records of this roll number")
	cmd.Flags().StringVar(&f.kind, "kind", "", "only records of this kind, as OUTCOME")
	cmd.Flags().StringVar(&f.since, "since", "", "only records from this time on, as 2026-03-01T22:00:00Z")
	cmd.Flags().StringVar(&f.until, "until", "", "only records before this time")
}

func (f *filterFlags) filter() (journal.Filter, error) {
	out := journal.Filter{Roll: f.roll, Kind: record.Kind(strings.ToUpper(f.kind))}
	if out.Kind != "" && !out.Kind.Known() {
		return out, usageError("--kind: no records are of kind %q", f.kind)
	}
	for _, t := range []struct {
		name, text string
		to         *time.Time
	}{{"since", f.since, &out.From}, {"until", f.until, &out.To}} {
		if t.text == "" {
			continue
		}
		at, err := time.Parse(time.RFC3339, t.text)
		if err != nil {
			return out, usageError("--%s: got %q, want a time as 2026-03-01T22:00:00Z", t.name, t.text)
		}
		*t.to = at
	}
	return out, nil
}

func onePath(cmd *cobra.Command, args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("%s takes the path of one journal, got %d arguments", cmd.CommandPath(), len(args))
	}
	return nil
}

func openReader(ctx context.Context, path string) (*journal.Reader, error) {
	r, err := journal.OpenReader(ctx, path)
	var damage *journal.DamageError
	if errors.As(err, &damage) {
		return nil, &exitError{exitDifferences, err}
	}
	return r, err
}

func (p *program) journalList() *cobra.Command {
	var f filterFlags
	var newest int
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "list PATH",
		Short: "List the records of a journal, one a line",
		Args:  onePath,
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			filter, err := f.filter()
			if err != nil {
				return err
			}
			filter.Limit, filter.Newest = newest, newest > 0
			r, err := openReader(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, r.Close()) }()
			records, err := r.List(cmd.Context(), filter)
			if err != nil {
				return err
			}
			if asJSON {
				out := make([]recordOut, len(records))
				for i, s := range records {
					out[i] = outOf(s)
				}
				return p.printJSON(out)
			}
			t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
			for _, s := range records {
				roll := ""
				if n := s.Record.RollNo(); n != 0 {
					roll = strconv.FormatUint(uint64(n), 10)
				}
				fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\n", s.Seq, s.At.Format("2006-01-02 15:04:05.000"), s.Record.Kind(), roll, summary(s.Record))
			}
			return t.Flush()
		},
	}
	f.add(cmd)
	cmd.Flags().IntVarP(&newest, "newest", "n", 0, "only the newest so many records")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON array")
	return cmd
}

// summary says in a few words what a record holds.
func summary(r record.Record) string {
	switch r := r.(type) {
	case record.Session:
		return fmt.Sprintf("session %d, boot %d, cause: %s", r.Session.Epoch, r.Boot, r.Cause)
	case record.Request:
		return fmt.Sprintf("request %d: %s, %.1f × %.1f mm", r.Token.Req, r.Measured.Tag, r.Measured.Diameter*1000, r.Measured.Width*1000)
	case record.Intent:
		if r.Form == handshake.KindHold {
			return fmt.Sprintf("offer %s: hold: %s (%d)%s", r.Offer, r.HoldReason, r.HoldReason, codesOf(&r))
		}
		return fmt.Sprintf("offer %s: recipe", r.Offer)
	case record.Commit:
		return fmt.Sprintf("offer %s", r.Offer)
	case record.Verdict:
		s := fmt.Sprintf("offer %s: %s", r.Offer, handshake.VerdictText(r.Verdict, r.Reason))
		if r.Settled {
			s += ", settled"
		}
		return s
	case record.Void:
		return fmt.Sprintf("offer %s: void, %s", r.Offer, r.Evidence)
	case record.Outcome:
		return fmt.Sprintf("outcome %d: %s", r.Outcome.Index, r.Outcome.Outcome)
	case record.Gap:
		return fmt.Sprintf("outcomes %d to %d, rolls %d to %d: %s", r.FromIndex, r.ToIndex, r.FromRoll, r.ToRoll, r.Cause)
	case record.Hold:
		return fmt.Sprintf("%s by %s: %s", onOff(r.On), r.By, r.Reason)
	case record.Override:
		return fmt.Sprintf("by %s, reason %d: %s", r.By, r.Reason, r.Text)
	case record.Mode:
		return fmt.Sprintf("writing %s by %s: %s", onOff(r.Armed), r.By, r.Reason)
	case record.Config:
		return fmt.Sprintf("%08x, %d changes", r.Hash, len(r.Changes))
	case record.Shadow:
		return fmt.Sprintf("%s: would be %s", r.Tag, r.Verdict)
	}
	return ""
}

func codesOf(r *record.Intent) string {
	var codes []string
	for _, f := range r.Findings {
		codes = append(codes, string(f.Code))
	}
	if codes == nil {
		return ""
	}
	return " (" + strings.Join(codes, ", ") + ")"
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

func (p *program) journalShow() *cobra.Command {
	var roll uint32
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "show PATH [NUMBER]",
		Short: "Show one record whole, or all of one roll",
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case len(args) < 1 || len(args) > 2:
				return fmt.Errorf("show takes the path of a journal and the number of a record, got %d arguments", len(args))
			case (len(args) == 2) == (roll != 0):
				return errors.New("give either the number of a record or --roll")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			f := journal.Filter{Roll: roll}
			if len(args) == 2 {
				n, err := strconv.ParseUint(args[1], 10, 63)
				if err != nil || n == 0 {
					return usageError("%q is not the number of a record", args[1])
				}
				f.FromSeq, f.ToSeq = n, n
			}
			r, err := openReader(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, r.Close()) }()
			records, err := r.List(cmd.Context(), f)
			if err != nil {
				return err
			}
			if len(records) == 0 {
				return fmt.Errorf("journal %s holds no such record", args[0])
			}
			if asJSON {
				out := make([]recordOut, len(records))
				for i, s := range records {
					out[i] = outOf(s)
				}
				return p.printJSON(out)
			}
			for i, s := range records {
				if i > 0 {
					fmt.Fprintln(p.stdout)
				}
				if err := writeRecord(p.stdout, s); err != nil {
					return err
				}
			}
			return nil
		},
	}
	cmd.Flags().Uint32Var(&roll, "roll", 0, "all records of this roll number")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON array")
	return cmd
}

func writeRecord(w io.Writer, s record.Stored) error {
	body, err := json.MarshalIndent(s.Record, "  ", "  ")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "record %d, %s, %s\n  %s\n  %s\n", s.Seq, s.Record.Kind(), s.At.Format(time.RFC3339Nano), summary(s.Record), body)
	return err
}

func (p *program) journalVerify() *cobra.Command {
	var head string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "verify PATH",
		Short: "Check a journal whole: every hash, link, number and the order of records",
		Long: `Verify checks the whole journal, also while the daemon appends to it, and
reports all it finds. A tail that was cut off shows only when the head is given
that was kept elsewhere. Exit code 5 when something is wrong.`,
		Args: onePath,
		RunE: func(cmd *cobra.Command, args []string) error {
			var opts []journal.VerifyOption
			if head != "" {
				h, err := journal.ParseHead(head)
				if err != nil {
					return usageError("--head: %w", err)
				}
				opts = append(opts, journal.ExpectHead(h))
			}
			bar := newProgress(p.stderr, "records checked", 0)
			opts = append(opts, journal.Progress(func(done, total uint64) {
				bar.total = int(total)
				bar.at(int(done))
			}))
			report, err := journal.Verify(cmd.Context(), args[0], opts...)
			bar.clear()
			if err != nil {
				return err
			}
			if asJSON {
				err = p.printJSON(report)
			} else {
				err = writeReport(p.stdout, report)
			}
			if err == nil && !report.OK() {
				err = &exitError{code: exitDifferences}
			}
			return err
		},
	}
	cmd.Flags().StringVar(&head, "head", "", "a head kept from earlier, NUMBER:HASH, that the chain must hold")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func writeReport(w io.Writer, r *journal.Report) error {
	var b strings.Builder
	for _, problem := range r.Problems {
		fmt.Fprintf(&b, "%s\n", problem)
	}
	word := "sound"
	if !r.OK() {
		word = fmt.Sprintf("NOT SOUND, %d problems", len(r.Problems))
	}
	fmt.Fprintf(&b, "journal %s: %s\nrecords %d\nhead %s\n", r.Path, word, r.Records, r.Head)
	for _, o := range r.Open {
		fmt.Fprintf(&b, "open offer %s\n", o)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (p *program) journalExport() *cobra.Command {
	var f filterFlags
	var out string
	cmd := &cobra.Command{
		Use:   "export PATH",
		Short: "Write records as JSON, one object a line, with their hashes",
		Args:  onePath,
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			filter, err := f.filter()
			if err != nil {
				return err
			}
			r, err := openReader(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, r.Close()) }()
			w := p.stdout
			if out != "" {
				file, e := os.OpenFile(out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
				if e != nil {
					return e
				}
				defer func() { err = errors.Join(err, file.Close()) }()
				w = file
			}
			n, err := r.Export(cmd.Context(), filter, w)
			if err != nil {
				return err
			}
			fmt.Fprintf(p.stderr, "%d records exported\n", n)
			return nil
		},
	}
	f.add(cmd)
	cmd.Flags().StringVarP(&out, "output", "o", "", "write to this new file instead of standard output")
	return cmd
}

func (p *program) journalBackup() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "backup PATH COPY",
		Short: "Copy a journal as it stands to a new file, also from a live daemon",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 2 {
				return fmt.Errorf("backup takes the path of a journal and of the copy, got %d arguments", len(args))
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			r, err := openReader(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, r.Close()) }()
			head, err := r.Backup(cmd.Context(), args[1])
			if err != nil {
				return err
			}
			if asJSON {
				return p.printJSON(struct {
					Copy string       `json:"copy"`
					Head journal.Head `json:"head"`
				}{args[1], head})
			}
			_, err = fmt.Fprintf(p.stdout, "%s\nhead %s\n", args[1], head)
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}
