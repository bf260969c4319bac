package main

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/report"
	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
)

// rollColumns are the columns of a table of rolls. Programs of others read them by
// these names: none of them ever changes or goes.
func rollColumns() []table.Column {
	return []table.Column{
		{Name: "line", Required: true}, {Name: "number", Required: true}, {Name: "roll"}, {Name: "came_at"}, {Name: "left_at", Required: true},
		{Name: "outcome", Required: true}, {Name: "mode"}, {Name: "last_verdict"}, {Name: "holds"},
		{Name: "diameter", Dimension: quantity.Length}, {Name: "width", Dimension: quantity.Length}, {Name: "slot"},
		{Name: "wrapper_width", Dimension: quantity.Length}, {Name: "overhang", Dimension: quantity.Length}, {Name: "measured_overhang", Dimension: quantity.Length},
		{Name: "layers"}, {Name: "fed", Dimension: quantity.Length}, {Name: "crimp_time", Dimension: quantity.Time}, {Name: "platen", Dimension: quantity.Temperature},
		{Name: "header_dwell", Dimension: quantity.Time}, {Name: "outer_head", Dimension: quantity.Length}, {Name: "gross", Dimension: quantity.Mass},
		{Name: "tare", Dimension: quantity.Mass}, {Name: "scale", Dimension: quantity.Mass}, {Name: "scale_deviation", Dimension: quantity.Mass},
		{Name: "weighed"}, {Name: "time_at_station", Dimension: quantity.Time},
		{Name: "least_overhang", Dimension: quantity.Length}, {Name: "greatest_overhang", Dimension: quantity.Length},
	}
}

// TestTableOfRollsReadsBack: what is exported is read back by the reader of tables, in
// the units of any configuration, and says what the report says.
func TestTableOfRollsReadsBack(t *testing.T) {
	dir := t.TempDir()
	path := shadowJournal(t, dir, demoSnapshot(t), 40, func(i int, p *handshake.Payload, o *handshake.Outcome) {
		if p.Kind == handshake.KindHold {
			o.Outcome, o.Scale = handshake.Removed, 0
		}
		o.EncoderUsed = 100_000 + uint32(i)
	})
	demo := demoFile(t, "demo.yaml")
	shift := answered[report.Shift](t, exitDone, []string{"report", path, "--json", "--config", demo})
	for _, units := range [][]string{{"--config", demo}, {"--config", demo, "--set", "units.length=mm", "--set", "units.temperature=°C"}, nil} {
		r := lapgate(append([]string{"journal", "export", path, "--format", "csv"}, units...)...)
		wantCode(t, r, exitDone)
		columns := rollColumns()
		in := table.NewReader("rolls.csv", strings.NewReader(r.out), columns)
		for n := 0; in.Next(); n++ {
			want := shift.Rolls[n]
			if text := in.Text(2); text != want.Tag || in.Text(0) != "north" || in.Text(1) != fmt.Sprint(want.Number) || in.Text(5) != strings.ReplaceAll(want.Outcome.String(), " ", "_") {
				t.Fatalf("row %d is of %q, want %+v", n, text, want)
			}
			if at, err := time.Parse(time.RFC3339Nano, in.Text(4)); err != nil || !at.Equal(want.LeftAt) {
				t.Errorf("%s left at %s, want %s", want.Tag, in.Text(4), want.LeftAt)
			}
			for i, v := range map[int]*float64{
				9: want.Diameter, 10: want.Width, 12: want.Wrapper, 13: want.Overhang, 16: want.Fed, 17: want.Crimp, 18: want.Platen,
				19: want.Dwell, 20: want.Head, 21: want.Gross, 22: want.Tare, 23: want.Scale, 24: want.Delta, 26: want.Stay,
			} {
				got, ok := in.Quantity(i)
				if ok != (v != nil) || ok && math.Abs(got-*v) > 1e-6*(1+math.Abs(*v)) {
					t.Errorf("%s: %s is %g, %v, want %v", want.Tag, columns[i].Name, got, ok, v)
				}
			}
			if got, ok := in.Quantity(27); units != nil && want.OverhangMin != nil && (!ok || math.Abs(got-*want.OverhangMin) > 1e-6) {
				t.Errorf("%s: least overhang %g, want %g", want.Tag, got, *want.OverhangMin)
			}
		}
		if err := in.Err(); err != nil || in.Rows() != len(shift.Rolls) || len(shift.Rolls) != 40 {
			t.Errorf("%d rows with %v, want %d", in.Rows(), err, len(shift.Rolls))
		}
		header, _, _ := strings.Cut(r.out, "\n")
		if got := strings.Count(header, ",") + 1; got != len(columns) {
			t.Errorf("%d columns, want %d: %s", got, len(columns), header)
		}
	}
}
