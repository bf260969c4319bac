package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/record"
)

// schedule is the table of rolls to choose widths for: the file of the argument, or what was
// wrapped, by the records that have arrived in the engine.
func (p *program) schedule(ctx context.Context, args []string, f *widthsFlags, s *config.Snapshot) (*openedTable, error) {
	if !f.from.engine {
		return p.openTable(args[0])
	}
	since, until, err := f.window.window(p.now())
	if err != nil {
		return nil, err
	}
	r, err := p.readingOf(ctx, s)
	if err != nil {
		return nil, err
	}
	of, err := f.from.arrivedOf(ctx, s, r)
	if err != nil {
		return nil, err
	}
	defer of.close()
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	rows := [][]string{{"roll", "date", "width (m)", "diameter (m)", "spec", "grade", "core"}}
	err = p.scanRolls(ctx, of.list, since, func(r *record.Roll) error {
		if row := scheduleRow(r, since, until, p.zone()); row != nil {
			rows = append(rows, row)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(rows) == 1 {
		return nil, fmt.Errorf("%s: no roll left in that time; give an earlier --since, or leave it out", of.names())
	}
	if err := w.WriteAll(rows); err != nil {
		return nil, err
	}
	return &openedTable{io.NopCloser(&text), of.names()}, nil
}

// scheduleRow is a roll that left in a time as a row of a schedule, nil for another.
func scheduleRow(r *record.Roll, since, until time.Time, zone *time.Location) []string {
	round := r.Used()
	if r.Outcome == nil || round == nil {
		return nil
	}
	if at := r.OutcomeAt.At; at.Before(since) || !until.IsZero() && !at.Before(until) {
		return nil
	}
	m := &round.Request.Measured
	length := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	code := func(n int) string {
		if n == 0 {
			return ""
		}
		return strconv.Itoa(n)
	}
	spec := m.Spec
	if m.Order != nil && m.Order.Spec != "" {
		spec = m.Order.Spec
	}
	return []string{m.Tag, r.OutcomeAt.At.In(zone).Format(time.DateOnly), length(m.Width), length(m.Diameter), spec, code(m.Grade), code(m.Core)}
}
