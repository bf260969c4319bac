package engine_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
)

// plain is a connection without the program's own statements.
func plain(t testing.TB, d *enginetest.Database, user string) *pgx.Conn {
	t.Helper()
	c, err := pgx.Connect(t.Context(), "host="+d.Server.Folder()+" dbname="+d.Name+" user="+user+" sslmode=disable")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close(context.Background()) })
	return c
}

// Each role is tried for everything that any role or none may do.
func TestLeastPrivilege(t *testing.T) {
	d := enginetest.New(t)
	all := chain(t, 8)
	c := d.Connect(t, enginetest.Machine)
	if _, err := c.Register(t.Context(), engine.Journal{Genesis: all[0].Hash, Line: "north"}); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Append(t.Context(), all[0].Hash, all); err != nil {
		t.Fatal(err)
	}
	if _, _, err := c.Take(t.Context(), engine.Lease{Line: "north"}, "x", 1e9); err != nil {
		t.Fatal(err)
	}
	partition := d.SQL(t, `SELECT inhrelid::regclass FROM pg_inherits WHERE inhparent = 'lapgate.records'::regclass ORDER BY 1 LIMIT 1`)
	genesis := `'\x` + all[0].Hash.String() + `'`
	const zeros = `'\x0000000000000000000000000000000000000000000000000000000000000000'`
	statements := []struct {
		sql string
		may []string
	}{
		{`SELECT lapgate.register(` + genesis + `, 'm', 'north', 'a', 0, ` + zeros + `)`, []string{enginetest.Writer}},
		{`SELECT lapgate.append(` + genesis + `, 1, ` + zeros + `, '{1}', '{X}', '{0}', '{NULL}', '{NULL}', '{NULL}', '{"{}"}', ARRAY[` + zeros + `::bytea])`, []string{enginetest.Writer}},
		{`SELECT * FROM lapgate.heads('m', NULL)`, []string{enginetest.Writer, enginetest.Reader, enginetest.Pair}},
		{`SELECT * FROM lapgate.version`, []string{enginetest.Writer, enginetest.Reader, enginetest.Keeper, enginetest.Pair}},
		{`SELECT * FROM lapgate.records`, []string{enginetest.Reader}},
		{`SELECT * FROM lapgate.journals`, []string{enginetest.Reader}},
		{`SELECT * FROM lapgate.lines`, []string{enginetest.Reader}},
		{`SELECT * FROM lapgate.months`, []string{enginetest.Reader, enginetest.Keeper}},
		{`SELECT * FROM lapgate.verify(` + genesis + `)`, []string{enginetest.Reader}},
		{`SELECT * FROM lapgate.leases`, []string{enginetest.Reader, enginetest.Pair}},
		{`UPDATE lapgate.leases SET beat = beat + 1`, []string{enginetest.Pair}},
		{`INSERT INTO lapgate.leases VALUES ('m', 'other', 1, 0, '', 1)`, []string{enginetest.Pair}},
		{`SELECT lapgate.drop_month('2001-01-01')`, []string{enginetest.Keeper}},
		{`SELECT * FROM lapgate.acts`, []string{enginetest.Reader, enginetest.Pair}},
		{`INSERT INTO lapgate.acts (mill, line, machine, kind, body) VALUES ('m', 'n', 'a', 'hold', '{}')`, []string{enginetest.Pair}},
		{`INSERT INTO lapgate.acts (mill, key, line, machine, kind, body, posted) VALUES ('m', 'k', 'n', 'a', 'hold', '{}', now()) ON CONFLICT (mill, key) DO NOTHING RETURNING number`, []string{enginetest.Pair}},
		{`UPDATE lapgate.acts SET answered_by = 'b', answer = ''`, []string{enginetest.Pair}},
		{`SELECT * FROM lapgate.machines`, []string{enginetest.Reader, enginetest.Pair}},
		{`INSERT INTO lapgate.machines VALUES ('m', 'c', 'i', 1, '')`, []string{enginetest.Pair}},
		{`UPDATE lapgate.machines SET beat = beat + 1`, []string{enginetest.Pair}},

		{`SELECT lapgate.drop_mill('m')`, nil},
		{`UPDATE lapgate.acts SET key = ''`, nil},
		{`UPDATE lapgate.acts SET posted = now()`, nil},
		{`ALTER TABLE lapgate.machines DISABLE TRIGGER machine_seen`, nil},
		{`SELECT * FROM ` + partition, nil},
		{`DELETE FROM lapgate.leases`, nil},
		{`UPDATE lapgate.acts SET body = ''`, nil},
		{`DELETE FROM lapgate.acts`, nil},
		{`DELETE FROM lapgate.machines`, nil},
		{`TRUNCATE lapgate.leases`, nil},
		{`INSERT INTO lapgate.records SELECT * FROM lapgate.records`, nil},
		{`INSERT INTO lapgate.records VALUES (9, now(), 0, 1, 1, '2026-01-01', 'X', NULL, NULL, NULL, '{}', '', '')`, nil},
		{`UPDATE lapgate.records SET body = ''`, nil},
		{`DELETE FROM lapgate.records`, nil},
		{`DELETE FROM ` + partition, nil},
		{`TRUNCATE lapgate.records`, nil},
		{`DROP TABLE lapgate.records`, nil},
		{`ALTER TABLE lapgate.records DETACH PARTITION ` + partition, nil},
		{`UPDATE lapgate.journals SET seq = 0`, nil},
		{`DELETE FROM lapgate.journals`, nil},
		{`INSERT INTO lapgate.months VALUES ('2001-01-01')`, nil},
		{`DELETE FROM lapgate.months`, nil},
		{`INSERT INTO lapgate.version VALUES (99, 99, '')`, nil},
		{`SELECT lapgate.make_month('2001-01-01')`, nil},
		{`SELECT lapgate.make_months_ahead()`, nil},
		{`CREATE TABLE lapgate.mine (x int)`, nil},
		{`CREATE FUNCTION lapgate.sha256(bytea) RETURNS bytea LANGUAGE sql AS 'SELECT $1'`, nil},
		{`CREATE OR REPLACE FUNCTION lapgate.link(before bytea, seq bigint, micros bigint, kind text, body text) RETURNS bytea LANGUAGE sql AS 'SELECT $1'`, nil},
		{`ALTER FUNCTION lapgate.append SECURITY INVOKER`, nil},
		{`CREATE SCHEMA mine`, nil},
		{`SET ROLE mill_owner`, nil},
		{`GRANT lapgate_writer TO CURRENT_USER`, nil},
	}
	for _, user := range []string{enginetest.Writer, enginetest.Reader, enginetest.Keeper, enginetest.Pair} {
		c := plain(t, d, user)
		for _, s := range statements {
			err := undone(t, c, s.sql)
			var server *pgconn.PgError
			denied := errors.As(err, &server) && server.Code == "42501"
			ran := err == nil || errors.As(err, &server) && strings.HasPrefix(server.Code, "LG")
			if may := slices.Contains(s.may, user); may && !ran || !may && !denied {
				t.Errorf("%s: %s: %v, want allowed: %v", user, s.sql, err, may)
			}
		}
	}
}

// undone runs a statement whose effects are taken back.
func undone(t *testing.T, c *pgx.Conn, sql string) error {
	t.Helper()
	tx, err := c.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	_, err = tx.Exec(t.Context(), sql, pgx.QueryExecModeSimpleProtocol)
	if e := tx.Rollback(t.Context()); e != nil {
		t.Fatal(e)
	}
	return err
}

// What a user puts into the way of names does not change what append proves.
func TestNamesOfAWriterAreNotUsed(t *testing.T) {
	d := enginetest.New(t)
	all := chain(t, 2)
	c := plain(t, d, enginetest.Writer)
	for _, s := range []string{
		`CREATE FUNCTION pg_temp.sha256(bytea) RETURNS bytea LANGUAGE sql AS 'SELECT ''\x` + strings.Repeat("00", 32) + `''::bytea'`,
		`CREATE FUNCTION pg_temp.link(bytea, bigint, bigint, text, text) RETURNS bytea LANGUAGE sql AS 'SELECT ''\x` + strings.Repeat("00", 32) + `''::bytea'`,
		`CREATE TEMP TABLE journals (genesis bytea)`,
		`SET search_path = pg_temp, pg_catalog`,
	} {
		if _, err := c.Exec(t.Context(), s); err != nil {
			t.Fatal(err)
		}
	}
	none := make([]byte, 32)
	if _, err := c.Exec(t.Context(), `SELECT lapgate.register($1, 'm', 'north', 'a', 0, $2)`, all[0].Hash[:], none); err != nil {
		t.Fatal(err)
	}
	_, err := c.Exec(t.Context(), `SELECT lapgate.append($1, 1, $2, '{1}', '{X}', '{0}', '{NULL}', '{NULL}', '{NULL}', '{"{}"}', ARRAY[$2::bytea])`, all[0].Hash[:], none)
	var server *pgconn.PgError
	if !errors.As(err, &server) || server.Code != "LG003" {
		t.Errorf("a record with a hash of zeros: %v, want LG003", err)
	}
}

// Numbers of a lease never go back, not even for the role that may change them.
func TestLeaseNumberNeverGoesBack(t *testing.T) {
	d := enginetest.New(t)
	if _, _, err := d.Connect(t, enginetest.Pair).Take(t.Context(), engine.Lease{Line: "north"}, "x", 1e9); err != nil {
		t.Fatal(err)
	}
	c := plain(t, d, enginetest.Pair)
	for _, s := range []string{`UPDATE lapgate.leases SET number = number + 5`, `UPDATE lapgate.leases SET number = number - 1`, `UPDATE lapgate.leases SET line = 'south'`} {
		_, err := c.Exec(t.Context(), s)
		var server *pgconn.PgError
		refused := errors.As(err, &server) && server.Code == "LG006"
		if grows := strings.Contains(s, "+"); grows && err != nil || !grows && !refused {
			t.Errorf("%s: %v", s, err)
		}
	}
}

// TestExaminedRights: what check tells of a user is what that user may do.
func TestExaminedRights(t *testing.T) {
	d := enginetest.New(t)
	for _, c := range []struct {
		user                        string
		writes, reads, keeps, pairs bool
	}{
		{enginetest.Writer, true, false, false, false},
		{enginetest.Reader, false, true, false, false},
		{enginetest.Keeper, false, false, true, false},
		{enginetest.Pair, false, false, false, true},
		{enginetest.Machine, true, true, false, true},
	} {
		f := engine.New(d.Settings(c.user)).Examine(t.Context())[0]
		if f.Err != nil || f.Writes != c.writes || f.Reads != c.reads || f.Keeps != c.keeps || f.Pairs != c.pairs || len(f.Beyond) > 0 {
			t.Errorf("%s: %+v", c.user, f)
		}
	}
}
