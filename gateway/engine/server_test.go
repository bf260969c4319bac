package engine_test

import (
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// TestSettingsOfTheServer: what whoever keeps the server set for its clients changes nothing
// of what is sent and read, and makes no error of two who write at once.
func TestSettingsOfTheServer(t *testing.T) {
	d := enginetest.New(t)
	boss := plain(t, d, enginetest.Superuser)
	for _, set := range []string{"client_encoding = 'LATIN1'", "datestyle = 'German'", "timezone = 'Australia/Lord_Howe'", "default_transaction_isolation = 'serializable'",
		"statement_timeout = '1ms'", "search_path = 'public'", "bytea_output = 'escape'", "intervalstyle = 'sql_standard'"} {
		d.SQL(t, `ALTER ROLE `+enginetest.Machine+` IN DATABASE `+d.Name+` SET `+set)
	}
	at := time.Now()
	all := []journal.Entry{linked(t, journal.Head{}, at, record.Hold{On: true, By: "Jürgen Weiß", Reason: "Papier naß, 日本"})}
	all = append(all, linked(t, headOf(all[0]), at, record.Shadow{Roll: 1, Tag: "Ü-1"}))
	genesis := all[0].Hash
	c := d.Connect(t, enginetest.Machine)
	registered(t, c, genesis)
	if head, err := c.Append(t.Context(), genesis, all); err != nil || head != headOf(all[1]) {
		t.Fatalf("head %+v, %v", head, err)
	}
	there, err := c.Records(t.Context(), genesis, 0, 10)
	if err != nil || len(there) != 2 || string(there[0].Body) != string(all[0].Body) || !there[1].At.Equal(all[1].At) {
		t.Errorf("got %+v, %v", there, err)
	}
	f := engine.New(d.Settings(enginetest.Machine)).Examine(t.Context())[0]
	if f.Err != nil || f.NewestMonth.Before(at) || f.NewestMonth.After(at.AddDate(0, 2, 0)) {
		t.Errorf("check finds %+v", f)
	}

	if _, taken, err := c.Take(t.Context(), engine.Lease{Line: "north"}, "a/1", time.Second); !taken || err != nil {
		t.Fatalf("the lease: %v, %v", taken, err)
	}
	tx, err := boss.Begin(t.Context())
	if err == nil {
		_, err = tx.Exec(t.Context(), `UPDATE lapgate.leases SET beat = beat + 1`)
	}
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		_, taken, err := c.Take(t.Context(), engine.Lease{Line: "north", Number: 1}, "a/2", time.Second)
		if taken {
			t.Error("a lease was taken that is renewed at the same moment")
		}
		done <- err
	}()
	for waits := false; !waits; {
		if err := tx.QueryRow(t.Context(), `SELECT EXISTS (SELECT FROM pg_locks WHERE NOT granted AND pid IN (SELECT pid FROM pg_stat_activity WHERE datname = current_database()))`).Scan(&waits); err != nil {
			t.Fatal(err)
		}
		select {
		case err := <-done:
			t.Fatalf("it did not wait: %v", err)
		default:
		}
	}
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Errorf("taking a lease that is renewed: %v", err)
	}
}
