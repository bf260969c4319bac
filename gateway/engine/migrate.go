package engine

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/jackc/pgx/v5"
)

//go:embed migrations/*.sql
var migrations embed.FS

// step brings the tables from one version to the next. One that was released is never
// changed; a later one adds columns, tables and functions, and takes nothing away. A function
// of an earlier one that changes stands in it again, whole.
type step struct {
	version int
	least   int // version that a program must know to go on with the tables
	text    string
	digest  []byte
}

// steps are all of them, in order.
func steps() (out []step, err error) {
	names, err := fs.Glob(migrations, "migrations/*.sql") // sorted
	if err != nil {
		return nil, err
	}
	for i, name := range names {
		text, err := migrations.ReadFile(name)
		if err != nil {
			return nil, err
		}
		s := step{version: i + 1, text: string(text)}
		var number int
		first, _, _ := strings.Cut(s.text, "\n")
		if _, err := fmt.Sscanf(name, "migrations/%d_", &number); err != nil || number != s.version {
			return nil, fmt.Errorf("%s: want the name of step %d", name, s.version)
		}
		if _, err := fmt.Sscanf(first, "-- least: %d", &s.least); err != nil {
			return nil, fmt.Errorf("%s: want -- least: and the version that a program must know, in the first line", name)
		}
		sum := sha256.Sum256(text)
		s.digest = sum[:]
		out = append(out, s)
	}
	return out, nil
}

// Version is the version of the tables that this program was made for.
func Version() int {
	all, err := steps()
	if err != nil {
		panic(err) // what is embedded is tested
	}
	return len(all)
}

// VersionError says that the tables are of another version than the program can work
// with.
type VersionError struct {
	Got   int // 0 for none at all
	Least int // that a program must know to work with them
	Want  int
}

// Error says which, and what is to be done.
func (e *VersionError) Error() string {
	switch {
	case e.Got == 0:
		return "the database has no tables of lapgate; have their owner run lapgate engine migrate"
	case e.Got < e.Want:
		return fmt.Sprintf("the tables are of version %d, this program needs %d; have their owner run lapgate engine migrate with this program", e.Got, e.Want)
	}
	return fmt.Sprintf("the tables are of version %d and need a program that knows version %d, this one knows %d; bring the program up to date", e.Got, e.Least, e.Want)
}

// tablesVersion is the version of the tables and what a program must know of; zero
// where there are none.
func (c *Conn) tablesVersion(ctx context.Context) (got, least int, err error) {
	var there bool
	if err := c.pg.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_class WHERE relname = 'version'
		AND relnamespace = (SELECT oid FROM pg_namespace WHERE nspname = 'lapgate'))`).Scan(&there); err != nil || !there {
		return 0, 0, err
	}
	err = c.pg.QueryRow(ctx, `SELECT coalesce(max(version), 0), coalesce(max(least), 0) FROM lapgate.version`).Scan(&got, &least)
	return got, least, err
}

// checkVersion refuses tables that this program cannot work with.
func (c *Conn) checkVersion(ctx context.Context) error {
	got, least, err := c.tablesVersion(ctx)
	if err != nil {
		return err
	}
	if want := Version(); got < want || least > want {
		return &VersionError{got, least, want}
	}
	return nil
}

// Roles are the roles of the database by what their members may do. They are groups
// that nobody logs in as.
var Roles = []string{"lapgate_writer", "lapgate_reader", "lapgate_keeper", "lapgate_pair"}

// lock is the advisory lock of migrations, by two numbers: the name of the program, and
// what is locked.
const lock = `SELECT pg_advisory_xact_lock(1818325095, 1)`

// Migrate brings the tables up, each step in a transaction of its own, as the user of
// the settings, who owns the tables from then on. It may run beside itself and beside
// all else. from and to are the versions before and after.
func Migrate(ctx context.Context, s Settings) (from, to int, err error) {
	s.Timeout = 0 // an index may take long
	e := New(s)
	c, err := e.connect(ctx, func(ctx context.Context, c *Conn) error {
		id, err := c.identify(ctx)
		if err == nil {
			err = e.believe(id)
		}
		return err
	})
	if err != nil {
		return 0, 0, err
	}
	defer c.Close()
	if from, to, err = c.migrate(ctx); err != nil {
		return from, to, fmt.Errorf("engine at %s: %w", c.address, inWords(err))
	}
	return from, to, nil
}

func (c *Conn) migrate(ctx context.Context) (from, to int, err error) {
	all, err := steps()
	if err != nil {
		return 0, 0, err
	}
	if err := c.begin(ctx); err != nil {
		return 0, 0, err
	}
	if from, _, err = c.tablesVersion(ctx); err != nil {
		return 0, 0, err
	}
	to = from
	for _, s := range all {
		if err := c.step(ctx, s); err != nil {
			return from, to, fmt.Errorf("step %d: %w", s.version, inWords(err))
		}
		to = max(to, s.version)
	}
	return from, to, nil
}

// begin makes what the steps rest on: the roles, the schema, and the table of versions.
func (c *Conn) begin(ctx context.Context) error {
	return pgx.BeginFunc(ctx, c.pg, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, lock); err != nil {
			return err
		}
		var encoding string
		if err := tx.QueryRow(ctx, `SELECT current_setting('server_encoding')`).Scan(&encoding); err != nil {
			return err
		}
		if encoding != "UTF8" {
			return fmt.Errorf("the database is encoded as %s, want UTF8, as records are; create it anew with ENCODING 'UTF8' TEMPLATE template0", encoding)
		}
		if err := makeRoles(ctx, tx); err != nil {
			return err
		}
		// Whoever made the schema owns it; another user is told here.
		_, err := tx.Exec(ctx, `CREATE SCHEMA IF NOT EXISTS lapgate`)
		if err == nil {
			_, err = tx.Exec(ctx, `CREATE TABLE IF NOT EXISTS lapgate.version (
				version integer PRIMARY KEY, least integer NOT NULL, digest bytea NOT NULL,
				applied timestamptz NOT NULL DEFAULT now(), applied_by text NOT NULL DEFAULT current_user)`)
		}
		if errors.Is(inWords(err), ErrDenied) {
			return fmt.Errorf("%w; migrate as the owner of the database and of its schema lapgate", inWords(err))
		}
		return err
	})
}

// makeRoles makes the roles that are missing. All databases of the engine share them, so
// another may make one at the same moment.
func makeRoles(ctx context.Context, tx pgx.Tx) error {
	for _, role := range Roles {
		_, err := tx.Exec(ctx, fmt.Sprintf(`DO $$ BEGIN
			IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '%[1]s') THEN CREATE ROLE %[1]s NOLOGIN; END IF;
			EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL; END $$`, role))
		if errors.Is(inWords(err), ErrDenied) {
			return fmt.Errorf("role %s is missing and this user may not make it; have a superuser run: CREATE ROLE %s NOLOGIN;",
				role, strings.Join(Roles, " NOLOGIN; CREATE ROLE "))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// step applies one step, unless it stands already.
func (c *Conn) step(ctx context.Context, s step) error {
	return pgx.BeginFunc(ctx, c.pg, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, lock); err != nil {
			return err
		}
		var digest []byte
		err := tx.QueryRow(ctx, `SELECT digest FROM lapgate.version WHERE version = $1`, s.version).Scan(&digest)
		if err == nil {
			if !bytes.Equal(digest, s.digest) {
				return errors.New("it was applied from another text than this program has: the tables are not of a released version")
			}
			return nil
		}
		if !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		if _, err := tx.Conn().PgConn().Exec(ctx, s.text).ReadAll(); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO lapgate.version (version, least, digest) VALUES ($1, $2, $3)`, s.version, s.least, s.digest)
		return err
	})
}
