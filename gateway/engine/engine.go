// Package engine is the relational database in which a mill keeps the records of all
// its lines, and in which the two machines of a pair agree who acts. It is PostgreSQL.
// Nothing of safety rests on it, and no line waits for it: the journal of each machine
// is whole without it.
//
// What stands there, in the schema lapgate:
//
//	lines ─┬─ journals ── records        the chain of each journal, by month
//	       └─ leases                     who acts on a line
//
// A journal is named by the hash of its first record, for a line has several: that of
// each machine, and those that were set aside. Two machines are two chains, and they
// are never merged. Records come in through one function of the database, append, which
// proves each by its hash and refuses a hole and a fork; the head it keeps is how far a
// journal has arrived, and nothing else has to remember that:
//
//	conn, err := e.Connect(ctx)
//	head, err := conn.Register(ctx, engine.Journal{…})
//	for {
//		head, err = conn.Append(ctx, genesis, entries) // the journal's records behind head
//	}
//
// An answer that did not come says nothing: the record may have been taken or not. So
// after any error the connection is closed, and the next one asks for the head.
package engine

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Settings say where the engine is and who asks.
type Settings struct {
	// Address is host:port, or several with commas between, of which one that is fit is
	// taken, the first if it answers; or the folder of a Unix socket, perhaps with :port behind it.
	Address  string
	Database string
	User     string
	Password string
	// TLS is what is believed of the server, and shown to it. It is needed but for a
	// Unix socket. Without a ServerName the host of each address stands for it.
	TLS *tls.Config
	// Mill tells the lines of one mill from those of others in the same database.
	Mill string
	// Machine is the name of this computer among those that write.
	Machine string
	// Timeout bounds a connection that is made, which takes 10 s at most in any case, and
	// each statement; 0 for none.
	Timeout time.Duration
	// Known is where the identity of the engine is remembered; nil for nowhere.
	Known Memory

	reading bool // the server itself refuses changes
}

// Engine is where connections are made to. It is safe for concurrent use.
type Engine struct {
	settings Settings
	mu       sync.Mutex // of what is known
	begin    int        // address that is tried first
}

// New prepares connections. Nothing is dialled.
func New(s Settings) *Engine { return &Engine{settings: s} }

// defaultPort is in the name of a server's Unix socket.
const defaultPort = 5432

// Connect makes one connection: to an address at which a server answers that
// may be written to, is the engine that is known, and has the tables of this program.
// The error names each address. Among its causes are an *IdentityError, a
// *VersionError and ErrReadOnly.
func (e *Engine) Connect(ctx context.Context) (*Conn, error) {
	return e.connect(ctx, func(ctx context.Context, c *Conn) error {
		id, err := c.identify(ctx)
		if err == nil {
			err = e.believe(id)
		}
		if err == nil {
			err = c.checkVersion(ctx)
		}
		return err
	})
}

// connect tries the addresses in turn until one passes a check. Where one takes all the
// time there is, as a server that is off, the next call begins behind it.
func (e *Engine) connect(ctx context.Context, check func(context.Context, *Conn) error) (*Conn, error) {
	all := strings.Split(e.settings.Address, ",")
	e.mu.Lock()
	begin := e.begin
	e.mu.Unlock()
	var failed []error
	for i := range all {
		at := (begin + i) % len(all)
		address := strings.TrimSpace(all[at])
		c, err := e.dial(ctx, address)
		if err == nil {
			limited, done := c.limit(ctx)
			err = check(limited, c)
			done()
			if err == nil {
				return c, nil
			}
			c.Close()
		}
		failed = append(failed, fmt.Errorf("engine at %s: %w", address, inWords(err)))
		if ctx.Err() != nil {
			e.mu.Lock()
			e.begin = (at + 1) % len(all)
			e.mu.Unlock()
			break
		}
	}
	return nil, errors.Join(failed...)
}

// longestDial bounds a connection that is made, however long a statement may take.
const longestDial = 10 * time.Second

func (e *Engine) dial(ctx context.Context, address string) (*Conn, error) {
	config, err := e.config(address)
	if err != nil {
		return nil, err
	}
	c := &Conn{mill: e.settings.Mill, machine: e.settings.Machine, timeout: e.settings.Timeout, address: address}
	config.OnNotice = func(_ *pgconn.PgConn, n *pgconn.Notice) {
		if n.SeverityUnlocalized == "WARNING" {
			c.warning = n.Message
		}
	}
	within := longestDial
	if c.timeout > 0 {
		within = min(within, c.timeout)
	}
	limited, done := context.WithTimeout(ctx, within)
	defer done()
	if c.pg, err = pgx.ConnectConfig(limited, config); err != nil {
		return nil, err
	}
	if err := c.watchClient(limited); err != nil {
		c.Close()
		return nil, err
	}
	return c, nil
}

// watchClient has the server look every now and then whether the client of a statement is
// still there. One on Windows or macOS cannot, and says so; it ends the statement by its time.
func (c *Conn) watchClient(ctx context.Context) error {
	_, err := c.pg.PgConn().Exec(ctx, "SET client_connection_check_interval = '2s'").ReadAll()
	var server *pgconn.PgError
	if errors.As(err, &server) {
		return nil
	}
	return err
}

// place is the host and port of an address, or the folder and port of a Unix socket.
func place(address string) (host string, port uint16, err error) {
	if strings.HasPrefix(address, "/") {
		folder, number, ok := strings.Cut(address, ":")
		if !ok {
			return filepath.Clean(address), defaultPort, nil
		}
		n, err := strconv.ParseUint(number, 10, 16)
		return filepath.Clean(folder), uint16(n), err
	}
	host, number, err := net.SplitHostPort(address)
	if err != nil {
		return "", 0, err
	}
	n, err := strconv.ParseUint(number, 10, 16)
	return host, uint16(n), err
}

// config is all of a connection. Variables of the environment by which other programs
// find a database have no say.
func (e *Engine) config(address string) (*pgx.ConnConfig, error) {
	s := &e.settings
	host, port, err := place(address)
	if err != nil {
		return nil, fmt.Errorf("not an address: %w; want host:port, or the folder of a Unix socket", err)
	}
	config, err := pgx.ParseConfig("host=none port=1 user=none database=none sslmode=disable passfile='' target_session_attrs=any connect_timeout=0")
	if err != nil {
		return nil, fmt.Errorf("a variable of the environment whose name begins with PG: %w; take it out of the environment, for only the configuration counts", err)
	}
	config.Host, config.Port, config.Database, config.User, config.Password = host, port, s.Database, s.User, s.Password
	config.Fallbacks, config.ConnectTimeout = nil, 0
	config.DialFunc = dial
	config.TLSConfig = nil
	if !strings.HasPrefix(host, "/") {
		if s.TLS == nil {
			return nil, errors.New("no TLS: without it anybody on the network can read and change what is sent; name the certificates that sign the server's")
		}
		config.TLSConfig = s.TLS.Clone()
		if config.TLSConfig.ServerName == "" {
			config.TLSConfig.ServerName = host
		}
	}
	config.RequireAuth = ""
	if s.Password != "" {
		config.RequireAuth = "scram-sha-256"
	}
	config.RuntimeParams = map[string]string{ // or those that the server has for its clients would count
		"application_name":                    "lapgate " + s.Machine,
		"search_path":                         "pg_catalog",
		"client_encoding":                     "UTF8",
		"datestyle":                           "ISO",
		"timezone":                            "UTC",
		"jit":                                 "off",
		"default_transaction_isolation":       "read committed",
		"idle_in_transaction_session_timeout": "10s",
		// The server gives up too, so that it holds no lock for a client that is gone.
		"statement_timeout": strconv.FormatInt(2*s.Timeout.Milliseconds(), 10),
	}
	if s.reading {
		config.RuntimeParams["default_transaction_read_only"] = "on"
	}
	return config, nil
}

// The system tells within seconds that the other side is gone.
const (
	keepIdle     = time.Second
	keepInterval = time.Second
	keepCount    = 2
)

func dial(ctx context.Context, network, address string) (net.Conn, error) {
	d := net.Dialer{
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: keepIdle, Interval: keepInterval, Count: keepCount},
		Control:         boundUnacknowledged,
	}
	return d.DialContext(ctx, network, address)
}

// Conn is one connection, for one goroutine. After any error it is closed and another
// is made.
type Conn struct {
	pg      *pgx.Conn
	mill    string
	machine string
	timeout time.Duration
	address string
	warning string // of the server, since the statement began
}

// Close ends the connection. It waits no longer than a second.
func (c *Conn) Close() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = c.pg.Close(ctx) // nothing depends on how it ends
}

// Address is the one of the addresses that answered.
func (c *Conn) Address() string { return c.address }

func (c *Conn) limit(ctx context.Context) (context.Context, context.CancelFunc) {
	if c.timeout <= 0 {
		return context.WithCancel(ctx)
	}
	return context.WithTimeout(ctx, c.timeout)
}

// write runs a statement that changes something. A server that warns did not do all of
// it: when somebody ends the wait for a standby it says that the change stands here
// alone, and calls that done.
func (c *Conn) write(ctx context.Context, do func(context.Context) error) error {
	ctx, cancel := c.limit(ctx)
	defer cancel()
	c.warning = ""
	err := do(ctx)
	if err == nil && c.warning != "" {
		return fmt.Errorf("%w: %s", ErrNotReplicated, c.warning)
	}
	return inWords(err)
}

// read runs a statement that changes nothing.
func (c *Conn) read(ctx context.Context, do func(context.Context) error) error {
	ctx, cancel := c.limit(ctx)
	defer cancel()
	return inWords(do(ctx))
}
