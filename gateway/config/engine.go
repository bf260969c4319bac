package config

import (
	"crypto/tls"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"
)

// Engine is the database of the mill's record, and of a standby pair. Text that is empty
// is not configured.
type Engine struct {
	Address     string        `cfg:"address" default:"" doc:"where a PostgreSQL server takes connections: host:5432, several with commas between, of which one may be written to; or the folder of a Unix socket on this machine; empty for none, and then nothing else here counts"`
	Database    string        `cfg:"database" default:"lapgate" doc:"name of the database there"`
	User        string        `cfg:"user" default:"lapgate_machine" doc:"user to log in as, a member of the roles that the handbook names, and of no more"`
	Password    string        `cfg:"password" default:"" secret:"true" path:"true" doc:"where its password is read at the start: file:PATH, a file that only its owner may touch, or env:NAME; never the password itself"`
	Authorities string        `cfg:"authorities" default:"" path:"true" doc:"file of the certificates that sign the server's, in PEM form; empty for those that the operating system trusts"`
	ServerName  string        `cfg:"server_name" default:"" doc:"name in the server's certificate; empty for the host of address"`
	Certificate string        `cfg:"certificate" default:"" path:"true" doc:"file of a certificate to log in with, in PEM form; empty for none"`
	Key         string        `cfg:"key" default:"" path:"true" doc:"file of its key, not encrypted, which only its owner may touch"`
	Mill        string        `cfg:"mill" default:"" doc:"name of the mill, which tells its lines from those of other mills in the same database"`
	Machine     string        `cfg:"machine" default:"" doc:"name of this computer, another one on each that writes to the database"`
	Timeout     time.Duration `cfg:"timeout" unit:"time" default:"1 s" range:"0.1 s..60 s" doc:"how long a connection and each statement of the daemon may take; after it the server counts as silent"`
	Pair        bool          `cfg:"pair" default:"false" doc:"true where two machines serve the same lines, one of which acts while the other stands by; both have the same lines and mill, and names of their own"`
	Lease       time.Duration `cfg:"lease" unit:"time" default:"3 s" range:"1 s..60 s" doc:"how long the lease of a line stands still before the standby takes it"`
	Renew       time.Duration `cfg:"renew" unit:"time" default:"0.5 s" range:"0.1 s..20 s" doc:"how often whoever acts renews the lease"`
	Look        time.Duration `cfg:"look" unit:"time" default:"0.25 s" range:"0.05 s..10 s" doc:"how often the standby looks at it"`
}

// Off reports whether there is no engine.
func (e *Engine) Off() bool { return e.Address == "" }

// Identity is the file in which the identity of the engine is remembered.
func (s *Snapshot) Identity() string { return filepath.Join(s.Journal.StateFolder(), "engine.json") }

// local reports whether an address is the folder of a Unix socket.
func local(address string) bool { return strings.HasPrefix(address, "/") }

// EngineLogin is what is shown to the server, and what is believed of it.
type EngineLogin struct {
	TLS      *tls.Config // nil where it is reached by a Unix socket
	Password string
}

// Login reads the files and the password of the engine. lookup finds a variable of the
// environment. The error names every problem, and never holds a secret.
func (e *Engine) Login(lookup func(string) (string, bool)) (out EngineLogin, err error) {
	var bad []error
	if e.Password != "" {
		if out.Password, err = ReadSecret(e.Password, lookup); err != nil {
			bad = append(bad, fmt.Errorf("engine.password: %w", err))
		}
	}
	if !local(e.Address) {
		out.TLS, err = clientTLS("engine", e.ServerName, e.Authorities, e.Certificate, e.Key)
		bad = append(bad, err)
	}
	return out, errors.Join(bad...)
}

// leaseRenewals is how many renewals of a lease fail before the standby takes it, so that
// one that comes late moves no line.
const leaseRenewals = 3

// checkEngine checks that nobody reads along on the way to the engine, and that the times
// of a pair go with each other.
func (d *decoder) checkEngine(e *Engine) {
	const at = "engine."
	const address, password, key, machine = at + "address", at + "password", at + "key", at + "machine"
	if d.good(password) && e.Password != "" && !secretSource(e.Password) {
		d.problem(d.where(password), password, "not a place to read a password from", hidden, "file:PATH or env:NAME", "put the password into a file that only its owner may read, name it as file:PATH, and have the password changed if it stood here")
	}
	if d.good(at+"certificate", key) && (e.Certificate == "") != (e.Key == "") {
		d.problem(d.where(key), key, "certificate and key belong together", quoted(e.Key), "both, or neither", "name the file of the other one too")
	}
	if e.Off() {
		if d.good(address, at+"pair") && e.Pair {
			d.problem(d.where(at+"pair"), at+"pair", "pair without an engine", "true", "engine.address", "name the engine that both machines reach, or remove pair")
		}
		return
	}
	d.checkEngineAddress(address, e)
	if d.good(machine) && !fileName(e.Machine) {
		d.problem(d.where(machine), machine, "no name of this machine", quoted(e.Machine), "at most 32 letters, figures, - and _", "name it as in north-a; each machine that writes has a name of its own, which never changes")
	}
	for _, k := range []struct{ key, value string }{{at + "database", e.Database}, {at + "user", e.User}} {
		if d.good(k.key) && k.value == "" {
			d.problem(d.where(k.key), k.key, "nothing named", quoted(k.value), "a name", "take it from whoever keeps the database")
		}
	}
	if lease, renew := at+"lease", at+"renew"; d.good(lease, renew) && e.Lease < leaseRenewals*e.Renew {
		d.problem(d.where(lease), lease, "lease that a late renewal loses", e.Lease.String(), "3 times engine.renew at least", "let the lease stand longer, or renew it more often")
	}
}

func (d *decoder) checkEngineAddress(key string, e *Engine) {
	if !d.good(key) {
		return
	}
	if strings.Contains(e.Address, "@") { // what stands before it may be a password
		d.problem(d.where(key), key, "login in the address", "an address with an @", "host:port, as in 192.0.2.30:5432", "write host and port alone; user and password have keys of their own")
		return
	}
	if local(e.Address) {
		if e.Authorities+e.ServerName+e.Certificate != "" && d.good("engine.authorities", "engine.server_name", "engine.certificate") {
			d.problem(d.where(key), key, "certificates for a Unix socket", quoted(e.Address), "host:port", "name host and port, or remove authorities, server_name and certificate")
		}
		return
	}
	for one := range strings.SplitSeq(e.Address, ",") {
		if _, ok := d.hostPort(key, strings.TrimSpace(one), lowestPort(1)); !ok {
			return
		}
	}
}
