package journal_test

import (
	"flag"
	"path/filepath"
	"testing"
	"time"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

var long = flag.Int("long", 100_000, "records of the journal of BenchmarkLong; ten million need 12 GB and some minutes")

// BenchmarkLong finds a roll, and the rolls of a shift, in a long journal: what list,
// show and report do first.
func BenchmarkLong(b *testing.B) {
	path := filepath.Join(b.TempDir(), "north.db")
	j := open(b, path)
	const each = 5 // records of a roll
	rolls := *long / each
	at := func(i int) time.Time { return begun.Add(time.Duration(i/each) * time.Minute) }
	var roll []record.Record
	next := func(i int) record.Record {
		if i == 0 {
			return record.Session{Session: session, Boot: 41, Cause: "start"}
		}
		if (i-1)%each == 0 {
			roll = rollRecords(b, uint32((i-1)/each+1))
		}
		return roll[(i-1)%each]
	}
	if err := j.Fill(b.Context(), *long, at, next); err != nil {
		b.Fatal(err)
	}
	b.Run("roll", func(b *testing.B) {
		for i := range b.N {
			r, err := journal.OpenWhole(b.Context(), path)
			if err != nil {
				b.Fatal(err)
			}
			n := uint32(1 + (i*7919)%(rolls-1))
			got, err := r.List(b.Context(), journal.Filter{Roll: n})
			if err != nil || len(got) != each {
				b.Fatalf("%d records of roll %d, %v", len(got), n, err)
			}
			if err := r.Close(); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("shift", func(b *testing.B) {
		since := at(*long).Add(-8 * time.Hour)
		for range b.N {
			left := 0
			err := journal.ScanRolls(b.Context(), path, since, func(uint64, uint64) {}, func(r *record.Roll) error {
				if r.Outcome != nil && !r.OutcomeAt.At.Before(since) {
					left++
				}
				return nil
			})
			if want := min(8*60, rolls); err != nil || left < want-1 || left > want+1 {
				b.Fatalf("%d rolls in a shift, want about %d, %v", left, want, err)
			}
		}
	})
	b.Run("window", func(b *testing.B) {
		from := at(*long / 2)
		for range b.N {
			r, err := journal.OpenWhole(b.Context(), path)
			if err != nil {
				b.Fatal(err)
			}
			got, err := r.List(b.Context(), journal.Filter{From: from, To: from.Add(8 * time.Hour)})
			if err != nil || len(got) == 0 {
				b.Fatalf("%d records, %v", len(got), err)
			}
			if err := r.Close(); err != nil {
				b.Fatal(err)
			}
		}
	})
}
