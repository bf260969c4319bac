package main

import (
	"cmp"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// reportFlags are the flags of `report`.
type reportFlags struct {
	since, until string
	html         string
}

func (p *program) reportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report JOURNAL",
		Short: "Report a shift from its journal, as CSV and as one HTML page",
		Long: `Report reads the journal alone. It prints CSV, a line for each roll that left
the station, in the units of the register map; --html writes one page with the
counts, the holds by code, the overhang and the deviations of the scale, without
scripts or outside references. --since and --until choose by the time at which
the roll left; times are UTC.`,
		Example: `  lapgate report journal/north.db --since 2026-03-01T22:00:00Z --until 2026-03-02T06:00:00Z --html night.html`,
		Args:    onePath,
		RunE:    func(cmd *cobra.Command, args []string) error { return p.report(cmd.Context(), args[0], &f) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.since, "since", "", "only rolls that left from this time on, as 2026-03-01T22:00:00Z")
	fl.StringVar(&f.until, "until", "", "only rolls that left before this time")
	fl.StringVar(&f.html, "html", "", "write one HTML page to this file")
	return cmd
}

// shift is what a journal tells of the rolls of some time.
type shift struct {
	path  string
	rolls []shiftRoll
}

// shiftRoll is one roll that left the station.
type shiftRoll struct {
	number    uint32
	tag       string
	at        time.Time
	outcome   handshake.OutcomeKind
	decided   string // go, hold, or empty without a decision of ours
	mode      string
	codes     []recipe.Code // of every hold that the roll met
	overhang  *float64      // mm each side, of our recipe
	gross     *float64      // kg, of our recipe
	scale     *float64      // kg
	deviation *float64      // of the scale from ours, %
}

func (p *program) report(ctx context.Context, path string, f *reportFlags) error {
	from, to, err := (&windowFlags{f.since, f.until}).window(p.zone())
	if err != nil {
		return err
	}
	window := journal.Filter{From: from, To: to}
	s := &shift{path: path}
	builder := newShiftBuilder(s, window)
	if err := p.scanRolls(ctx, path, builder.take); err != nil {
		return err
	}
	if f.html != "" {
		if err := os.WriteFile(f.html, []byte(s.page()), 0o644); err != nil {
			return err
		}
	}
	return s.writeCSV(p.stdout)
}

// shiftBuilder makes the rolls of a shift of records in their order.
type shiftBuilder struct {
	shift   *shift
	window  journal.Filter
	pairing *replay.Pairing
	gross   int // where the mass stands among the usages
}

func newShiftBuilder(s *shift, window journal.Filter) *shiftBuilder {
	usages := replay.Usages()
	return &shiftBuilder{
		shift: s, window: window, pairing: replay.NewPairing(usages),
		gross: slices.IndexFunc(usages, func(u replay.Usage) bool { return u.Field.Name == "gross_kg" }),
	}
}

func (b *shiftBuilder) take(roll *record.Roll) error {
	wrap, err := b.pairing.Take(roll)
	if err != nil || roll.Outcome == nil {
		return err
	}
	o, at := &roll.Outcome.Outcome, roll.OutcomeAt.At
	r := shiftRoll{number: o.RollNo, at: at, outcome: o.Outcome}
	for i := range roll.Rounds {
		_, findings, _ := roll.Rounds[i].Decided()
		for _, f := range findings {
			if f.Severity == recipe.Hold && !slices.Contains(r.codes, f.Code) {
				r.codes = append(r.codes, f.Code)
			}
		}
	}
	cases, err := replay.Cases(roll)
	if err != nil {
		return err
	}
	for _, c := range cases {
		if c.Recorded == nil || c.Request.Token != (handshake.Token{Boot: o.Boot, Req: o.Req}) {
			continue
		}
		r.tag, r.mode, r.decided = roll.Tag, "offered", c.Recorded.Verdict()
		if c.Shadow {
			r.mode = "shadow"
		}
		var p handshake.Payload
		if err := handshake.DecodePayload(c.Recorded.Words, &p); err != nil {
			return fmt.Errorf("roll %d: %w", roll.Number, err)
		}
		if p.WrapperWidth > 0 {
			hang := (float64(p.WrapperWidth) - float64(p.Width)) / 2 / 10
			r.overhang = &hang
		}
	}
	if o.Scale > 0 {
		reading := replay.Scaled(int64(o.Scale), 0.1)
		r.scale = &reading
	}
	if wrap != nil && !wrap.Held {
		if g := wrap.Readings[b.gross]; g.Ours > 0 {
			r.gross = &g.Ours
			if g.Compared {
				share := g.Difference() / g.Ours * 100
				r.deviation = &share
			}
		}
	}
	if !b.window.From.IsZero() && at.Before(b.window.From) || !b.window.To.IsZero() && !at.Before(b.window.To) {
		return nil
	}
	b.shift.rolls = append(b.shift.rolls, r)
	return nil
}

func (s *shift) writeCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	// An error stays in the writer until its end.
	_ = out.Write([]string{"roll_no", "roll", "left_at", "outcome", "mode", "last_verdict", "holds", "overhang (mm)", "gross (kg)", "scale (kg)", "scale deviation (%)"})
	for i := range s.rolls {
		r := &s.rolls[i]
		codes := make([]string, len(r.codes))
		for k, c := range r.codes {
			codes[k] = string(c)
		}
		optional := func(v *float64) string {
			if v == nil {
				return ""
			}
			return plainNumber(*v)
		}
		_ = out.Write([]string{
			strconv.FormatUint(uint64(r.number), 10), r.tag, r.at.Format(time.RFC3339), handshake.Spelled(r.outcome.String()), r.mode, r.decided,
			strings.Join(codes, " "), optional(r.overhang), optional(r.gross), optional(r.scale), optional(r.deviation),
		})
	}
	out.Flush()
	return out.Error()
}

// count is how often something occurred.
type count struct {
	name string
	n    int
}

// outcomes counts the rolls by outcome, in the order of the handshake.
func (s *shift) outcomes() []count {
	var out []count
	for k := handshake.Wrapped; k <= handshake.Lost; k++ {
		n := 0
		for i := range s.rolls {
			if s.rolls[i].outcome == k {
				n++
			}
		}
		out = append(out, count{k.String(), n})
	}
	return out
}

// holds counts the rolls that met a hold, by its code, the most first.
func (s *shift) holds() []count {
	var out []count
	for i := range s.rolls {
		for _, c := range s.rolls[i].codes {
			k := slices.IndexFunc(out, func(o count) bool { return o.name == string(c) })
			if k < 0 {
				out = append(out, count{string(c), 1})
			} else {
				out[k].n++
			}
		}
	}
	slices.SortFunc(out, func(a, b count) int { return cmp.Or(cmp.Compare(b.n, a.n), cmp.Compare(a.name, b.name)) })
	return out
}
