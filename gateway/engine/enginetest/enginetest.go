// Package enginetest gives tests a private PostgreSQL: a server in a folder of its own,
// reached by a Unix socket alone, and a database for each test. Where none is installed
// the test is skipped and says so, unless TEST_POSTGRESQL is set to required.
package enginetest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lapgate/gateway/engine"
)

// required is the variable of the environment with which a missing PostgreSQL is a
// failure.
const required = "TEST_POSTGRESQL"

// Server is a private PostgreSQL.
type Server struct {
	folder   string // of the socket
	port     string // in the name of the socket
	programs string
	life     *os.File // the server ends when this is closed, and so with the process
	running  *exec.Cmd
}

// ErrMissing says that no PostgreSQL is installed.
var ErrMissing = errors.New("no PostgreSQL is installed; apt-get install postgresql")

// shared is the server of the whole process.
var shared = sync.OnceValues(func() (*Server, error) { return start(defaultPort, nil, nil) })

// Shared is the server that all tests of a process share. It ends with the process.
func Shared(t testing.TB) *Server {
	t.Helper()
	s, err := shared()
	s.or(t, err)
	return s
}

// Own starts a server for one test, which may restart it and kill it. Settings are those
// of the server, as fsync=on.
func Own(t testing.TB, settings ...string) *Server {
	t.Helper()
	s, err := start(defaultPort, settings, nil)
	s.or(t, err)
	t.Cleanup(s.end)
	return s
}

// or ends the test where there is no server.
func (s *Server) or(t testing.TB, err error) {
	t.Helper()
	switch {
	case errors.Is(err, ErrMissing) && os.Getenv(required) == "":
		t.Skip(err)
	case err != nil:
		t.Fatal(err)
	}
}

// programs finds the folder of initdb.
func programs() (string, error) {
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if err != nil {
		return "", err
	}
	if len(found) > 0 {
		slices.Sort(found)
		return filepath.Dir(found[len(found)-1]), nil
	}
	path, err := exec.LookPath("initdb")
	if err != nil {
		return "", ErrMissing
	}
	return filepath.Dir(path), nil
}

// start sets a server up. The path of a socket holds 107 bytes, so its folder stands where
// the name is short.
func start(port string, settings []string, prepare func(*Server) error) (*Server, error) {
	bin, err := programs()
	if err != nil {
		return nil, err
	}
	parent := os.TempDir()
	const longest = 60
	if len(parent) > longest {
		parent = "/tmp"
	}
	folder, err := os.MkdirTemp(parent, "lg")
	if err != nil {
		return nil, err
	}
	s := &Server{folder: folder, port: port, programs: bin}
	if err := give(folder); err != nil {
		return nil, errors.Join(err, os.RemoveAll(folder))
	}
	set := s.command("initdb", "-D", s.data(), "-U", Superuser, "-A", "trust", "-E", "UTF8", "-N")
	set.Env = append(os.Environ(), "LC_ALL=C.UTF-8")
	out, err := set.CombinedOutput()
	if err != nil {
		return nil, errors.Join(fmt.Errorf("initdb: %w: %s", err, out), os.RemoveAll(folder))
	}
	conf := append([]string{"listen_addresses=''", "unix_socket_directories='" + folder + "'", "fsync=off", "synchronous_commit=off",
		"full_page_writes=off", "max_connections=200", "log_min_messages=warning"}, settings...)
	if err := appendTo(filepath.Join(s.data(), "postgresql.conf"), strings.Join(conf, "\n")+"\n"); err != nil {
		return nil, errors.Join(err, os.RemoveAll(folder))
	}
	if prepare != nil {
		if err := prepare(s); err != nil {
			return nil, errors.Join(err, os.RemoveAll(folder))
		}
	}
	if err := s.Start(); err != nil {
		return nil, errors.Join(err, os.RemoveAll(folder))
	}
	return s, nil
}

func appendTo(path, text string) (err error) {
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	return errors.Join(err, f.Close())
}

// defaultPort is in the name of the socket where nobody chooses another.
const defaultPort = "5432"

// Superuser owns the server.
const Superuser = "boss"

func (s *Server) data() string { return filepath.Join(s.folder, "data") }
func (s *Server) log() string  { return filepath.Join(s.folder, "log") }

// Folder is that of the server's socket.
func (s *Server) Folder() string { return s.folder }

// command is a program of PostgreSQL, which refuses to run as root.
func (s *Server) command(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(s.programs, name), args...)
	cmd.Dir = s.folder
	drop(cmd)
	return cmd
}

// live keeps the server as long as standard input is open, and cleans up after it where
// the test process is gone: it may have been killed.
const live = `"$1" -D "$2/data" >>"$2/log" 2>&1 </dev/null & server=$!
cat >/dev/null
kill -QUIT $server 2>/dev/null; wait $server
if [ ! -e "$2/keep" ]; then rm -rf "$2"/* "$2"/.s* 2>/dev/null; rmdir "$2" 2>/dev/null; fi`

// Start runs the server and waits until it answers.
func (s *Server) Start() error {
	read, write, err := os.Pipe()
	if err != nil {
		return err
	}
	cmd := exec.Command("/bin/sh", "-c", live, "sh", filepath.Join(s.programs, "postgres"), s.folder)
	cmd.Dir, cmd.Stdin = "/", read
	drop(cmd)
	if err := cmd.Start(); err != nil {
		return errors.Join(err, read.Close(), write.Close())
	}
	s.running, s.life = cmd, write
	if err := read.Close(); err != nil {
		return err
	}
	for range 12000 { // ten minutes, for a busy machine
		if s.command("pg_isready", "-q", "-h", s.folder, "-p", s.port, "-U", Superuser, "-t", "1").Run() == nil {
			return nil
		}
		if text, err := os.ReadFile(s.log()); err == nil && strings.Contains(string(text), "FATAL:  could not") {
			break
		}
		<-time.After(50 * time.Millisecond)
	}
	text, err := os.ReadFile(s.log())
	return errors.Join(fmt.Errorf("the server does not answer: %s", text), err)
}

// Stop ends the server at once, as a fault of its machine does, and keeps its data.
func (s *Server) Stop() error {
	keep := filepath.Join(s.folder, "keep")
	if err := os.WriteFile(keep, nil, 0o600); err != nil {
		return err
	}
	err := errors.Join(s.life.Close(), s.running.Wait())
	return errors.Join(err, os.Remove(keep))
}

// Restart ends the server at once and starts it again.
func (s *Server) Restart() error { return errors.Join(s.Stop(), s.Start()) }

// end ends the server and removes it.
func (s *Server) end() {
	_ = s.life.Close()
	_ = s.running.Wait()
}

// SQL runs statements as the superuser in a database and returns what is answered, without
// heads, columns apart by a bar.
func (s *Server) SQL(ctx context.Context, database, statements string) (string, error) {
	cmd := exec.CommandContext(ctx, filepath.Join(s.programs, "psql"), "-XAtq", "-v", "ON_ERROR_STOP=1", "-h", s.folder, "-p", s.port, "-U", Superuser, "-d", database, "-f", "-")
	cmd.Stdin = strings.NewReader(statements)
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C.UTF-8"}
	var problems strings.Builder
	cmd.Stderr = &problems
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("%w: %s", err, problems.String())
	}
	return strings.TrimSuffix(string(out), "\n"), nil
}

// Database is one database of a server, with its roles.
type Database struct {
	Server *Server
	Name   string
}

// The users that log in, by what they may do.
const (
	Owner   = "mill_owner"
	Writer  = "mill_writer"
	Reader  = "mill_reader"
	Keeper  = "mill_keeper"
	Pair    = "mill_pair"
	Machine = "mill_machine" // writer, reader and pair: what a daemon of a pair logs in as
)

// users are made once a server; the groups that they are in are made by the first
// migration, so that they are put in afterwards.
const users = `SELECT pg_advisory_lock(7);
DO $$ DECLARE u text; BEGIN FOREACH u IN ARRAY ARRAY['mill_writer','mill_reader','mill_keeper','mill_pair','mill_machine'] LOOP
	IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = u) THEN EXECUTE 'CREATE ROLE ' || u || ' LOGIN'; END IF; END LOOP;
	IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'mill_owner') THEN CREATE ROLE mill_owner LOGIN CREATEROLE; END IF; END $$;`

const memberships = `SELECT pg_advisory_lock(7);
GRANT lapgate_writer TO mill_writer, mill_machine; GRANT lapgate_reader TO mill_reader, mill_machine;
GRANT lapgate_keeper TO mill_keeper; GRANT lapgate_pair TO mill_pair, mill_machine;`

var databases atomic.Int64

// New is a database of the shared server, with the tables of this program.
func New(t testing.TB) *Database {
	t.Helper()
	return Shared(t).Database(t)
}

// Empty is a database of the shared server without any tables.
func Empty(t testing.TB) *Database {
	t.Helper()
	return Shared(t).Empty(t)
}

// Database makes a database with the tables of this program. It is there as long as the
// server.
func (s *Server) Database(t testing.TB) *Database {
	t.Helper()
	d := s.Empty(t)
	if _, _, err := engine.Migrate(t.Context(), d.Settings(Owner)); err != nil {
		t.Fatal(err)
	}
	d.Members(t)
	return d
}

// Members puts the users into the roles, which have to be there.
func (d *Database) Members(t testing.TB) {
	t.Helper()
	d.SQL(t, memberships)
}

// Empty makes a database without any tables.
func (s *Server) Empty(t testing.TB) *Database {
	t.Helper()
	d := &Database{s, fmt.Sprintf("mill%d", databases.Add(1))}
	for _, statement := range []string{users, `CREATE DATABASE ` + d.Name + ` OWNER ` + Owner + ` TEMPLATE template0`} {
		if _, err := s.SQL(t.Context(), "postgres", statement); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// SQL runs statements as the superuser; see Server.SQL.
func (d *Database) SQL(t testing.TB, statements string) string {
	t.Helper()
	out, err := d.Server.SQL(t.Context(), d.Name, statements)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Settings are those of a user, on machine a of mill m.
func (d *Database) Settings(user string) engine.Settings {
	return engine.Settings{Address: d.Server.Folder() + ":" + d.Server.port, Database: d.Name, User: user, Mill: "m", Machine: "a"}
}

// Connect is a connection of a user, closed with the test.
func (d *Database) Connect(t testing.TB, user string) *engine.Conn {
	t.Helper()
	c, err := engine.New(d.Settings(user)).Connect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// Standby is a copy of the server that follows it, and ends with the test.
func (s *Server) Standby(t testing.TB) *Server {
	t.Helper()
	folder, err := os.MkdirTemp(filepath.Dir(s.folder), "lg")
	if err != nil {
		t.Fatal(err)
	}
	copied := &Server{folder: folder, port: s.port, programs: s.programs}
	if err := give(folder); err != nil {
		t.Fatal(err)
	}
	out, err := s.command("pg_basebackup", "-D", copied.data(), "-h", s.folder, "-p", s.port, "-U", Superuser, "-R", "-X", "stream", "-c", "fast").CombinedOutput()
	if err == nil {
		err = appendTo(filepath.Join(copied.data(), "postgresql.conf"), "unix_socket_directories='"+folder+"'\n")
	}
	if err == nil {
		err = copied.Start()
	}
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Cleanup(copied.end)
	return copied
}

// Promote lets a standby take over. The server it followed does not learn of it.
func (s *Server) Promote(t testing.TB) {
	t.Helper()
	if out, err := s.command("pg_ctl", "-D", s.data(), "-w", "-s", "promote").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
}
