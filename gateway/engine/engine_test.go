package engine_test

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
)

// The server that was left behind when its copy took over is refused, also where it is
// the only one that answers, and a standby takes nothing.
func TestIdentity(t *testing.T) {
	old := enginetest.Own(t)
	d := old.Database(t)
	standby := old.Standby(t)
	settings := d.Settings(enginetest.Machine)
	settings.Known = engine.File(filepath.Join(t.TempDir(), "state", "engine.json"))
	connect := func(address string) error {
		s := settings
		s.Address = address
		c, err := engine.New(s).Connect(t.Context())
		if err == nil {
			c.Close()
		}
		return err
	}
	if err := connect(standby.Folder()); !errors.Is(err, engine.ErrReadOnly) {
		t.Errorf("a standby: %v, want %v", err, engine.ErrReadOnly)
	}
	both := standby.Folder() + ", " + old.Folder()
	if err := connect(both); err != nil {
		t.Errorf("a standby and its server: %v", err)
	}
	first, err := settings.Known.Load()
	if err != nil || first.System == 0 || first.Timeline != 1 {
		t.Fatalf("remembered is %+v, %v", first, err)
	}
	standby.Promote(t)
	if err := connect(old.Folder()); err != nil {
		t.Errorf("before anybody saw the new one: %v", err)
	}
	if err := connect(standby.Folder()); err != nil {
		t.Errorf("the copy that took over: %v", err)
	}
	if now, err := settings.Known.Load(); err != nil || now != (engine.Identity{System: first.System, Timeline: 2}) {
		t.Errorf("remembered is %+v, %v, want timeline 2 of the same", now, err)
	}
	var refused *engine.IdentityError
	if err := connect(old.Folder()); !errors.As(err, &refused) || refused.Got.Timeline != 1 || refused.Known.Timeline != 2 {
		t.Errorf("the one that was left behind: %v", err)
	}
	if err := connect(old.Folder() + "," + standby.Folder()); err != nil {
		t.Errorf("both, the one that was left behind first: %v", err)
	}
	other := enginetest.New(t)
	s := other.Settings(enginetest.Machine)
	s.Known = settings.Known
	if _, err := engine.New(s).Connect(t.Context()); !errors.As(err, &refused) || refused.Got.System == refused.Known.System {
		t.Errorf("another engine: %v", err)
	}
}

// When somebody ends the wait for a standby that is missing, the server calls the change
// done: that is told apart. While nobody does, the limit of the client ends it.
func TestMissingSynchronousStandby(t *testing.T) {
	server := enginetest.Own(t)
	d := server.Database(t)
	c := d.Connect(t, enginetest.Machine)
	all := forged(t, journal.Head{}, "a", times(time.Now(), 6, time.Second)...)
	registered(t, c, all[0].Hash)
	for _, s := range []string{`ALTER SYSTEM SET synchronous_commit = on`, `ALTER SYSTEM SET synchronous_standby_names = 'gone'`, `SELECT pg_reload_conf()`} {
		if _, err := server.SQL(t.Context(), "postgres", s); err != nil {
			t.Fatal(err)
		}
	}
	begin := func(f func()) (ended chan struct{}) {
		ended = make(chan struct{})
		go func() {
			defer close(ended)
			f()
		}()
		return ended
	}
	const waits = ` FROM pg_stat_activity WHERE wait_event = 'SyncRep'`
	// endsWait ends the wait of a writer, and reports whether there was one.
	endsWait := func(writer chan struct{}) bool {
		for d.SQL(t, `SELECT count(*)`+waits) == "0" {
			select {
			case <-writer:
				return false
			default:
			}
		}
		d.SQL(t, `SELECT pg_cancel_backend(pid)`+waits)
		<-writer
		return true
	}
	// The processes of a server read a setting one after the other: any writer that waits
	// shows that they have.
	for !endsWait(begin(func() { _, _ = server.SQL(t.Context(), d.Name, `COMMENT ON SCHEMA public IS 'written'`) })) {
	}
	if !endsWait(begin(func() {
		if _, err := c.Append(t.Context(), all[0].Hash, all[:3]); !errors.Is(err, engine.ErrNotReplicated) {
			t.Errorf("the wait was ended: %v, want %v", err, engine.ErrNotReplicated)
		}
	})) {
		t.Fatal("nobody waits for the standby")
	}

	limited := connectWithin(t, d.Settings(enginetest.Machine), 200*time.Millisecond)
	defer limited.Close()
	if _, err := limited.Append(t.Context(), all[0].Hash, all[:6]); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("nobody ends the wait: %v, want the limit", err)
	}
}

// connectWithin connects with a limit, which is raised where the machine is too busy to
// connect within it.
func connectWithin(t *testing.T, s engine.Settings, limit time.Duration) *engine.Conn {
	t.Helper()
	for s.Timeout = limit; ; s.Timeout *= 2 {
		c, err := engine.New(s).Connect(t.Context())
		if err == nil {
			return c
		}
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Fatal(err)
		}
	}
}

// A server that says nothing is left after the limit, and its answer counts as not given.
func TestSilence(t *testing.T) {
	d := enginetest.New(t)
	proxy := d.Server.Proxy(t)
	settings := d.Settings(enginetest.Pair)
	settings.Address = proxy.Folder()
	c := connectWithin(t, settings, 2*time.Second)
	defer c.Close()
	ctx, cancel := context.WithCancel(t.Context())
	proxy.Mute(true)
	cancel()
	if _, err := c.Leases(ctx, []string{"north"}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled while nothing comes: %v", err)
	}
	if _, err := c.Renew(t.Context(), "x", nil); err == nil {
		t.Error("a connection was used on after an error")
	}
	settings.Timeout = 100 * time.Millisecond
	if _, err := engine.New(settings).Connect(t.Context()); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("connection to a server that says nothing: %v", err)
	}
}

// A server that says nothing does not keep those behind it from being tried, also where it
// takes all the time that one try has.
func TestSilentFirstAddress(t *testing.T) {
	d := enginetest.New(t)
	proxy := d.Server.Proxy(t)
	proxy.Mute(true)
	settings := d.Settings(enginetest.Machine)
	settings.Address, settings.Timeout = proxy.Folder()+","+d.Server.Folder(), 0
	e := engine.New(settings)
	short, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if c, err := e.Connect(short); err == nil {
		c.Close()
		t.Fatalf("connected to %s, want that the first takes all the time", c.Address())
	}
	c, err := e.Connect(t.Context())
	if err != nil {
		t.Fatalf("the second address was not tried: %v", err)
	}
	defer c.Close()
	if c.Address() != d.Server.Folder() || proxy.Made() > 1 {
		t.Errorf("connected to %s, after %d connections to the first address, want that the second is tried first now", c.Address(), proxy.Made())
	}
}

func TestVersionDiffers(t *testing.T) {
	d := enginetest.Empty(t)
	connect := func() error {
		c, err := engine.New(d.Settings(enginetest.Owner)).Connect(t.Context())
		if err == nil {
			c.Close()
		}
		return err
	}
	want := engine.Version()
	expect := func(what string, e engine.VersionError) {
		t.Helper()
		var got *engine.VersionError
		if err := connect(); !errors.As(err, &got) || *got != e {
			t.Errorf("%s: %v, want %+v", what, err, e)
		}
	}
	expect("no tables", engine.VersionError{Want: want})
	if _, _, err := engine.Migrate(t.Context(), d.Settings(enginetest.Owner)); err != nil {
		t.Fatal(err)
	}
	if err := connect(); err != nil {
		t.Errorf("the same version: %v", err)
	}
	d.SQL(t, fmt.Sprintf(`INSERT INTO lapgate.version VALUES (%d, %d, '')`, want+1, want))
	if err := connect(); err != nil {
		t.Errorf("newer tables with which this program can work: %v", err)
	}
	d.SQL(t, fmt.Sprintf(`UPDATE lapgate.version SET least = %d WHERE version = %[1]d`, want+1))
	expect("newer tables", engine.VersionError{Got: want + 1, Least: want + 1, Want: want})
	d.SQL(t, `DELETE FROM lapgate.version`)
	expect("older tables", engine.VersionError{Want: want})
}

// Migrations run beside each other, in one database and in several, and again.
func TestMigrateSideBySide(t *testing.T) {
	server := enginetest.Own(t)
	var all []*enginetest.Database
	for range 3 {
		all = append(all, server.Empty(t))
	}
	var done sync.WaitGroup
	for i := range 9 {
		done.Go(func() {
			if _, to, err := engine.Migrate(t.Context(), all[i%3].Settings(enginetest.Owner)); err != nil || to != engine.Version() {
				t.Errorf("migrated to %d, %v", to, err)
			}
		})
	}
	done.Wait()
	for _, d := range all {
		before := d.SQL(t, `SELECT * FROM lapgate.version`)
		if from, to, err := engine.Migrate(t.Context(), d.Settings(enginetest.Owner)); err != nil || from != to {
			t.Errorf("migrated again from %d to %d, %v", from, to, err)
		}
		if after := d.SQL(t, `SELECT * FROM lapgate.version`); after != before || strings.Count(after, "\n")+1 != engine.Version() {
			t.Errorf("versions are\n%s\nwere\n%s", after, before)
		}
	}
	d := all[0]
	d.SQL(t, `UPDATE lapgate.version SET digest = '' WHERE version = 1`)
	if _, _, err := engine.Migrate(t.Context(), d.Settings(enginetest.Owner)); err == nil || !strings.Contains(err.Error(), "another text") {
		t.Errorf("a step of another text: %v", err)
	}
	if _, _, err := engine.Migrate(t.Context(), d.Settings(enginetest.Machine)); !errors.Is(err, engine.ErrDenied) {
		t.Errorf("migrated by a machine: %v, want %v", err, engine.ErrDenied)
	}
}

// Where no server answers, the words are those of a person, with what to do, and the cause is
// there to be asked for.
func TestNobodyAnswers(t *testing.T) {
	dead, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := dead.Close(); err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	for address, want := range map[string]struct {
		cause error
		text  string
	}{
		folder:               {syscall.ENOENT, "no server answers there: no such file or directory"},
		dead.Addr().String(): {syscall.ECONNREFUSED, "no server answers there: connection refused"},
	} {
		_, err := engine.New(engine.Settings{Address: address, TLS: &tls.Config{}}).Connect(t.Context())
		whole := "engine at " + address + ": " + want.text + "; see that PostgreSQL runs and listens there, and that engine.address names it"
		if !errors.Is(err, want.cause) || err.Error() != whole {
			t.Errorf("%s: got %v, want %s", address, err, whole)
		}
	}
}

// Text that is no address, and a way on which others could read, are refused before
// anything is dialled.
func TestAddresses(t *testing.T) {
	for address, want := range map[string]string{
		"db1.mill":       "host:port",
		"db1.mill:x":     "host:port",
		"192.0.2.1:5432": "no TLS",
		"/nowhere:x":     "host:port",
	} {
		_, err := engine.New(engine.Settings{Address: address}).Connect(t.Context())
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q in it", address, err, want)
		}
	}
}
