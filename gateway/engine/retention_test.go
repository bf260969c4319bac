package engine_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
)

// months is a database that has kept records since a month, so many before this one.
func months(t testing.TB, d *enginetest.Database, before int) (first time.Time) {
	t.Helper()
	now := time.Now().UTC()
	for i := before; i > 0; i-- {
		m := time.Date(now.Year(), now.Month()-time.Month(i), 1, 0, 0, 0, 0, time.UTC)
		d.SQL(t, `SELECT lapgate.make_month('`+m.Format(time.DateOnly)+`')`)
	}
	return time.Date(now.Year(), now.Month()-time.Month(before), 1, 0, 0, 0, 0, time.UTC)
}

// A month that is removed leaves chains that prove themselves from the head that is kept,
// and no journal that comes late waits for it.
func TestDropMonth(t *testing.T) {
	d := enginetest.New(t)
	first := months(t, d, 3)
	c, keeper := d.Connect(t, enginetest.Machine), plain(t, d, enginetest.Keeper)
	all := forged(t, journal.Head{}, "a", times(first.Add(25*24*time.Hour), 40, 24*time.Hour)...) // over three months
	late := forged(t, journal.Head{}, "late", times(first, 10, 24*time.Hour)...)
	quiet := forged(t, journal.Head{}, "quiet", times(first, 5, 24*time.Hour)...) // never goes on
	for _, one := range [][]journal.Entry{all, late, quiet} {
		registered(t, c, one[0].Hash)
	}
	add := func(records []journal.Entry, genesis journal.Hash) {
		t.Helper()
		head, err := c.Append(t.Context(), genesis, records)
		if want := headOf(records[len(records)-1]); err != nil || head != want {
			t.Fatalf("appended: %v, %v, want %v", head, err, want)
		}
	}
	drop := func(month time.Time) error {
		_, err := keeper.Exec(t.Context(), `SELECT lapgate.drop_month($1)`, month)
		return err
	}
	add(all[:30], all[0].Hash)
	add(quiet, quiet[0].Hash)
	for _, wrong := range []time.Time{first.AddDate(0, 1, 0), first.AddDate(0, 3, 0), first.AddDate(0, -1, 0), first.AddDate(0, 0, 1)} {
		if err := drop(wrong); err == nil || !strings.Contains(err.Error(), "LG008") {
			t.Errorf("removal of %s: %v, want it refused", wrong.Format(time.DateOnly), err)
		}
	}
	if err := drop(first); err != nil {
		t.Fatal(err)
	}
	heads, err := c.Journals(t.Context(), "north")
	if err != nil || len(heads) != 3 {
		t.Fatalf("%d journals, %v", len(heads), err)
	}
	kept := heads[0].Kept
	if kept.Seq == 0 || kept.Seq >= 30 || kept != headOf(all[kept.Seq-1]) {
		t.Errorf("kept is head %v, want that of the last record of the month", kept)
	}
	if heads[2].Kept != headOf(quiet[4]) || heads[2].Head != headOf(quiet[4]) {
		t.Errorf("a journal of that month alone: %+v, want its head kept", heads[2])
	}
	sound(t, d, all[0].Hash, 30-int(kept.Seq))
	sound(t, d, quiet[0].Hash, 0)

	// Chains go on, with repeats from before the cut; a late journal goes where there is room.
	add(all[:32], all[0].Hash)
	add(all[kept.Seq-1:40], all[0].Hash)
	add(late, late[0].Hash)
	sound(t, d, all[0].Hash, 40-int(kept.Seq))
	sound(t, d, late[0].Hash, 10)
	if out := d.SQL(t, `SELECT DISTINCT month FROM lapgate.records WHERE journal = 2`); out != first.AddDate(0, 1, 0).Format(time.DateOnly) {
		t.Errorf("the late journal is in %s, want the oldest month that is kept", out)
	}
	fork := forged(t, journal.Head{Seq: kept.Seq, Hash: quiet[0].Hash}, "fork", time.Now())
	if _, err := c.Append(t.Context(), all[0].Hash, fork); !errors.Is(err, engine.ErrFork) {
		t.Errorf("a fork at the cut: %v", err)
	}
	got, err := c.Records(t.Context(), all[0].Hash, kept.Seq, 100)
	if err != nil || len(got) != 40-int(kept.Seq) || got[0].Prev != kept.Hash {
		t.Errorf("%d records behind the cut, %v", len(got), err)
	}
}

// With a month go the acts that were answered in it and the machines that were there last
// in it; what waits for a machine stays, and so do the leases.
func TestDropMonthOfAPair(t *testing.T) {
	d := enginetest.New(t)
	first := months(t, d, 2)
	c := d.Connect(t, enginetest.Pair)
	now := time.Now()
	at := func(month, day int) time.Duration { return now.Sub(first.AddDate(0, month, day)) }
	for _, a := range []engine.Act{
		{Key: "old", Kind: "hold", Age: at(0, 5)},
		{Key: "waits", Kind: "disarm", Age: at(0, 6)},
		{Key: "next", Kind: "hold", Age: at(1, 0)},
		{Key: "new", Kind: "hold"},
	} {
		a.Line, a.Machine = "north", "a"
		n, err := c.Post(t.Context(), a)
		if err == nil && a.Key != "waits" {
			_, err = c.Answer(t.Context(), n, "b", "")
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, machine := range []string{"here", "gone"} {
		if _, err := c.Meet(t.Context(), engine.Member{Machine: machine}); err != nil {
			t.Fatal(err)
		}
	}
	d.SQL(t, `ALTER TABLE lapgate.machines DISABLE TRIGGER machine_seen; UPDATE lapgate.machines SET seen = '`+first.Format(time.DateOnly)+`' WHERE machine = 'gone'`)
	if _, _, err := c.Take(t.Context(), engine.Lease{Line: "north"}, "x", time.Second); err != nil {
		t.Fatal(err)
	}
	if _, err := plain(t, d, enginetest.Keeper).Exec(t.Context(), `SELECT lapgate.drop_month($1)`, first); err != nil {
		t.Fatal(err)
	}
	got := d.SQL(t, `SELECT string_agg(key, ' ' ORDER BY number) FROM lapgate.acts`) + "|" +
		d.SQL(t, `SELECT string_agg(machine, ' ') FROM lapgate.machines`) + "|" + d.SQL(t, `SELECT count(*) FROM lapgate.leases`)
	if want := "waits next new|here|1"; got != want {
		t.Errorf("left are %s, want %s", got, want)
	}
}

// All of one mill goes, and nothing of another.
func TestDropMill(t *testing.T) {
	d := enginetest.New(t)
	for _, mill := range []string{"demo", "real"} {
		s := d.Settings(enginetest.Machine)
		s.Mill = mill
		c, err := engine.New(s).Connect(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		all := forged(t, journal.Head{}, mill, times(time.Now(), 6, time.Second)...)
		registered(t, c, all[0].Hash)
		if _, err := c.Append(t.Context(), all[0].Hash, all); err != nil {
			t.Fatal(err)
		}
		_, _, err = c.Take(t.Context(), engine.Lease{Line: "north"}, "x", time.Second)
		_, err2 := c.Post(t.Context(), engine.Act{Key: "1", Line: "north", Machine: "a", Kind: "hold"})
		_, err3 := c.Meet(t.Context(), engine.Member{Machine: "a"})
		if err := errors.Join(err, err2, err3); err != nil {
			t.Fatal(err)
		}
	}
	machine := d.Connect(t, enginetest.Machine)
	if _, err := machine.DropMill(t.Context(), "demo"); !errors.Is(err, engine.ErrDenied) {
		t.Errorf("a machine removed a mill: %v", err)
	}
	owner := d.Connect(t, enginetest.Owner)
	if n, err := owner.DropMill(t.Context(), "demo"); err != nil || n != 6 {
		t.Errorf("%d records removed, %v", n, err)
	}
	const left = `SELECT (SELECT count(*) FROM lapgate.records), (SELECT string_agg(mill, ' ') FROM lapgate.lines), (SELECT count(*) FROM lapgate.journals),
		(SELECT string_agg(mill, ' ') FROM lapgate.leases), (SELECT string_agg(mill, ' ') FROM lapgate.acts), (SELECT string_agg(mill, ' ') FROM lapgate.machines)`
	if got := d.SQL(t, left); got != "6|real|1|real|real|real" {
		t.Errorf("left are %s", got)
	}
}

// A reader that hangs keeps a month from being removed, and nothing else.
func TestDropMonthDoesNotWaitLong(t *testing.T) {
	d := enginetest.New(t)
	first := months(t, d, 1)
	reader := plain(t, d, enginetest.Reader)
	tx, err := reader.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `SELECT count(*) FROM lapgate.records`); err != nil {
		t.Fatal(err)
	}
	keeper := plain(t, d, enginetest.Keeper)
	d.SQL(t, `ALTER FUNCTION lapgate.drop_month SET lock_timeout = '50ms'`)
	if _, err := keeper.Exec(t.Context(), `SELECT lapgate.drop_month($1)`, first); err == nil || !strings.Contains(err.Error(), "55P03") {
		t.Errorf("removed under a reader: %v, want a lock that is not to be had", err)
	}
	if err := tx.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := keeper.Exec(t.Context(), `SELECT lapgate.drop_month($1)`, first); err != nil {
		t.Error(err)
	}
}

// Months are made ahead by whoever appends; a clock that is far off does not make them.
func TestMonthsAreMade(t *testing.T) {
	d := enginetest.New(t)
	c := d.Connect(t, enginetest.Machine)
	now := time.Now().UTC()
	d.SQL(t, `DO $$ BEGIN EXECUTE 'DROP TABLE lapgate.records_' || to_char(now() + interval '1 month', 'YYYY_MM'); END $$; DELETE FROM lapgate.months WHERE month > now()`)
	all := forged(t, journal.Head{}, "a", now, now.AddDate(10, 0, 0), now.AddDate(-10, 0, 0), now)
	registered(t, c, all[0].Hash)
	if _, err := c.Append(t.Context(), all[0].Hash, all); err != nil {
		t.Fatal(err)
	}
	this := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
	next := this.AddDate(0, 1, 0).Format(time.DateOnly)
	want := this.Format(time.DateOnly) + "|" + next + "|2"
	if out := d.SQL(t, `SELECT min(month), max(month), count(*) FROM lapgate.months`); out != want {
		t.Errorf("months are %s, want %s", out, want)
	}
	if out := d.SQL(t, `SELECT string_agg(month::text, ' ' ORDER BY seq) FROM lapgate.records`); out != this.Format(time.DateOnly)+strings.Repeat(" "+next, 3) {
		t.Errorf("records are in %s", out)
	}
	sound(t, d, all[0].Hash, 4)
}
