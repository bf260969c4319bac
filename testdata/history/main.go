// The program history holds the journal of a line, and the ledger of the controller
// that was at its other end, against a sequential station, see gateway/stationtest.
//
// Usage: history LEDGER JOURNAL
//
// LEDGER is the output of a controller of testdata/standin: its last line is a JSON
// object, of which the member history lists the events, with times in microseconds
// since 1970. Both were run on one machine, so that their clock is the same.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/stationtest"
)

func main() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "usage: history LEDGER JOURNAL")
		os.Exit(2)
	}
	if err := run(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, "history:", err)
		os.Exit(1)
	}
}

func run(ledger, path string) (err error) {
	text, err := os.ReadFile(ledger)
	if err != nil {
		return err
	}
	lines := bytes.Split(bytes.TrimSpace(text), []byte("\n"))
	var told struct {
		History []stationtest.Event
		Done    bool
	}
	if err := json.Unmarshal(lines[len(lines)-1], &told); err != nil {
		return fmt.Errorf("the last line of %s: %w", ledger, err)
	}
	if len(told.History) == 0 {
		return fmt.Errorf("%s tells of no event", ledger)
	}
	h := stationtest.History{Ledger: told.History, Rest: told.Done}
	r, err := journal.OpenReader(context.Background(), path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	err = r.Replay(context.Background(), func(s record.Stored) error {
		h.Journal = append(h.Journal, stationtest.Entry{At: s.At.UnixMicro(), Record: s.Record})
		return nil
	})
	if err != nil {
		return err
	}
	report, err := h.Check()
	if err != nil {
		return err
	}
	if report.Overtaken > 0 {
		return fmt.Errorf("%d gaps were written over rolls whose outcome came afterwards", report.Overtaken)
	}
	fmt.Printf("history: %d events and %d records, %d histories of %d operations, %d offers, %d without an end\n",
		len(h.Ledger), len(h.Journal), report.Histories, report.Operations, report.Offers, report.Unknown)
	return nil
}
