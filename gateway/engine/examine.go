package engine

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io/fs"
	"net"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
)

// Facts are what one address of the engine tells of itself. Where Err is set the rest may
// not be known.
type Facts struct {
	Address string
	Err     error
	Remedy  string // of Err

	Got, Known Identity
	ReadOnly   bool
	Release    int    // of the server, as 150018 for 15.18
	Encoding   string // of the database
	TLS        string // version; empty for none
	RoundTrip  time.Duration

	// Durable names the settings of the server with which a record that it took is lost in
	// a power cut; Replicated whether a change waits for another server.
	Durable    []string
	Replicated bool

	Tables, Least int       // versions
	NewestMonth   time.Time // for which there is room

	User                        string
	Writes, Reads, Keeps, Pairs bool     // what the user may do
	Beyond                      []string // what it may besides, in words
	Misnamed                    bool     // a role is named as the schema is
}

// Examine asks every address and changes nothing.
func (e *Engine) Examine(ctx context.Context) (out []Facts) {
	for address := range strings.SplitSeq(e.settings.Address, ",") {
		f := Facts{Address: strings.TrimSpace(address)}
		if f.Err = e.examine(ctx, &f); f.Err != nil {
			f.Remedy = remedyOf(f.Err)
			f.Err = inWords(f.Err)
		}
		out = append(out, f)
	}
	return out
}

func (e *Engine) examine(ctx context.Context, f *Facts) error {
	if e.settings.Known != nil {
		var err error
		if f.Known, err = e.settings.Known.Load(); err != nil {
			return err
		}
	}
	c, err := e.dial(ctx, f.Address)
	if err != nil {
		return err
	}
	defer c.Close()
	for _, ask := range []func(context.Context, *Facts) error{c.askServer, c.askTables, c.askRights, c.askRoundTrip} {
		limited, done := c.limit(ctx)
		err := ask(limited, f)
		done()
		if err != nil {
			return err
		}
	}
	return nil
}

func (c *Conn) askServer(ctx context.Context, f *Facts) error {
	var off []string
	err := c.pg.QueryRow(ctx, `SELECT current_user, current_setting('server_version_num')::integer, current_setting('server_encoding'),
		coalesce((SELECT version FROM pg_stat_ssl WHERE pid = pg_backend_pid() AND ssl), ''),
		ARRAY(SELECT name || ' = ' || setting FROM pg_settings WHERE name IN ('fsync', 'full_page_writes', 'synchronous_commit') AND setting = 'off' ORDER BY name),
		current_setting('synchronous_standby_names') <> '' AND current_setting('synchronous_commit') NOT IN ('off', 'local'),
		EXISTS (SELECT FROM pg_roles WHERE rolname = 'lapgate')`).Scan(&f.User, &f.Release, &f.Encoding, &f.TLS, &off, &f.Replicated, &f.Misnamed)
	f.Durable = off
	if err != nil {
		return err
	}
	f.Got, err = c.identify(ctx)
	if f.ReadOnly = errors.Is(err, ErrReadOnly); f.ReadOnly {
		return nil
	}
	return err
}

func (c *Conn) askTables(ctx context.Context, f *Facts) (err error) {
	if f.Tables, f.Least, err = c.tablesVersion(ctx); err != nil || f.Tables == 0 {
		return err
	}
	var newest *time.Time
	// The bounds of the partitions can be read by everybody, the table of months not.
	err = c.pg.QueryRow(ctx, `SELECT max((regexp_match(pg_get_expr(p.relpartbound, p.oid), '\d{4}-\d{2}-\d{2}'))[1]::date)
		FROM pg_inherits i JOIN pg_class p ON p.oid = i.inhrelid JOIN pg_class r ON r.oid = i.inhparent
		JOIN pg_namespace n ON n.oid = r.relnamespace WHERE n.nspname = 'lapgate' AND r.relname = 'records'`).Scan(&newest)
	if newest != nil {
		f.NewestMonth = *newest
	}
	return err
}

// rights asks what the user may do, by functions and tables; those of a superuser are all.
const rights = `WITH f AS (SELECT p.proname, has_function_privilege(p.oid, 'EXECUTE') AS may FROM pg_proc p WHERE p.pronamespace = (SELECT oid FROM pg_namespace WHERE nspname = 'lapgate')),
	t AS (SELECT c.relname, c.oid FROM pg_class c WHERE c.relkind IN ('r', 'p') AND c.relnamespace = (SELECT oid FROM pg_namespace WHERE nspname = 'lapgate'))
SELECT coalesce((SELECT bool_and(may) FROM f WHERE proname IN ('register', 'append', 'heads')), false),
	coalesce((SELECT bool_and(has_table_privilege(oid, 'SELECT')) FROM t WHERE relname IN ('lines', 'journals', 'records')), false),
	coalesce((SELECT bool_and(may) FROM f WHERE proname = 'drop_month'), false),
	coalesce((SELECT bool_and(has_table_privilege(oid, 'SELECT') AND has_table_privilege(oid, 'INSERT')
			AND CASE relname WHEN 'acts' THEN has_column_privilege(oid, 'answered_by', 'UPDATE') AND has_column_privilege(oid, 'answer', 'UPDATE') ELSE has_table_privilege(oid, 'UPDATE') END)
		FROM t WHERE relname IN ('leases', 'acts', 'machines')), false),
	array_remove(ARRAY[
		CASE WHEN r.rolsuper THEN 'it is a superuser' END,
		CASE WHEN r.rolcreaterole THEN 'it may make roles' END,
		CASE WHEN r.rolbypassrls OR r.rolreplication THEN 'it may replicate' END,
		CASE WHEN (SELECT pg_has_role(nspowner, 'MEMBER') FROM pg_namespace WHERE nspname = 'lapgate') THEN 'it owns the tables' END,
		CASE WHEN (SELECT bool_or(has_table_privilege(oid, 'INSERT') OR has_table_privilege(oid, 'UPDATE') OR has_table_privilege(oid, 'DELETE') OR has_table_privilege(oid, 'TRUNCATE')) FROM t WHERE relname NOT IN ('leases', 'acts', 'machines'))
			OR (SELECT bool_or(has_table_privilege(oid, 'DELETE') OR has_table_privilege(oid, 'TRUNCATE')) FROM t) THEN 'it may change records past the function append' END], NULL)
FROM pg_roles r WHERE r.rolname = current_user`

func (c *Conn) askRights(ctx context.Context, f *Facts) error {
	return c.pg.QueryRow(ctx, rights).Scan(&f.Writes, &f.Reads, &f.Keeps, &f.Pairs, &f.Beyond)
}

// trips is how often the way to the server and back is measured.
const trips = 9

func (c *Conn) askRoundTrip(ctx context.Context, f *Facts) error {
	var took []time.Duration
	for range trips {
		began := time.Now()
		if err := c.pg.Ping(ctx); err != nil {
			return err
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	f.RoundTrip = took[len(took)/2]
	return nil
}

// remedyOf says what is to be done about a connection that is not made.
func remedyOf(err error) string {
	var server *pgconn.PgError
	if errors.As(err, &server) {
		return remedyOfAnswer(server)
	}
	var name *net.DNSError
	var unknown x509.UnknownAuthorityError
	var host x509.HostnameError
	var invalid x509.CertificateInvalidError
	var verification *tls.CertificateVerificationError
	switch {
	case errors.As(err, &name):
		return "the host has no address: correct engine.address, or enter the name where this machine looks names up"
	case errors.As(err, &host):
		return "the certificate is for another name: give engine.server_name the name in it, if that is the server; else this is another server"
	case errors.As(err, &unknown):
		return "nobody who is trusted signed the certificate: name the file of whoever did in engine.authorities"
	case errors.As(err, &invalid), errors.As(err, &verification):
		return "the server's certificate is not valid now: look at its dates and at the clock of this machine, and have it renewed"
	case strings.Contains(err.Error(), "require_auth"):
		return "the server asks for the password in a way in which it, or who stands in its place, learns it: have the line of pg_hba.conf say scram-sha-256, and the password set anew with password_encryption = scram-sha-256"
	case strings.Contains(err.Error(), "refused TLS"):
		return "the server has no TLS: have it set up with a certificate, ssl = on"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens there: start the server, or look at listen_addresses and port of its configuration"
	case errors.Is(err, fs.ErrNotExist):
		return "there is no such socket: start the server, or look at unix_socket_directories of its configuration"
	case errors.Is(err, fs.ErrPermission):
		return "this account may not reach the socket"
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return "the network does not carry it, or the server hangs: look at routes and firewalls on the way, then at the server"
	}
	return "see to what is named"
}

func remedyOfAnswer(server *pgconn.PgError) string {
	switch server.Code {
	case "28P01":
		return "user or password is wrong: correct engine.user and what engine.password names, or have the password set anew with password_encryption = scram-sha-256"
	case "28000":
		return "the server lets this user in from here in no way: add a line hostssl … scram-sha-256 to its pg_hba.conf, and have it read again"
	case "3D000":
		return "have whoever keeps the server create the database, or correct engine.database"
	case "53300":
		return "the server has no connection left: close what is not needed, or raise max_connections"
	case "57P03":
		return "the server is starting or stopping: wait"
	case "08P01":
		return "what answers there does not speak as a server does: where a pooler stands in between, name the server itself in engine.address"
	case "42501":
		return "have whoever keeps the database put the user into the roles of the handbook"
	}
	return "ask whoever keeps the server"
}
