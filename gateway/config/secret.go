package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"runtime"
	"strings"

	"lapgate/gateway/plainfile"
)

// hidden stands for a secret wherever one would be shown.
const hidden = "***"

// The places from which a secret is read.
const (
	fromFile = "file:"
	fromEnv  = "env:"
)

// hide takes what was written for a secret out of the problems since one: it
// may be the secret itself.
func (d *decoder) hide(f *field, since int) {
	if !f.secret {
		return
	}
	for i := since; i < len(d.problems); i++ {
		p := &d.problems[i]
		p.Got, p.Want, p.Remedy = hidden, "the place where the secret is read, as file:PATH or env:NAME", "write no secret here, and have it changed if it stood here"
	}
}

// secretSource tells whether text says where a secret is, and is none itself.
func secretSource(text string) bool {
	if path, ok := strings.CutPrefix(text, fromFile); ok {
		return path != ""
	}
	name, ok := strings.CutPrefix(text, fromEnv)
	return ok && name != "" && !strings.ContainsAny(name, "= ")
}

// ReadSecret reads a secret from where source says: file:PATH, a file that
// nobody but its owner may touch, or env:NAME, a variable of the environment
// that lookup finds. One line break at the end is cut off. The error never
// holds the secret.
func ReadSecret(source string, lookup func(string) (string, bool)) (string, error) {
	if path, ok := strings.CutPrefix(source, fromFile); ok {
		data, err := readPrivate(path)
		if err != nil {
			return "", err
		}
		text := strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
		if text == "" {
			return "", fmt.Errorf("secret file %s is empty", path)
		}
		return text, nil
	}
	if name, ok := strings.CutPrefix(source, fromEnv); ok {
		text, found := lookup(name)
		if !found || text == "" {
			return "", fmt.Errorf("secret: the environment has no variable %s, or it is empty", name)
		}
		return text, nil
	}
	// The source itself may be the secret, put there by mistake.
	return "", errors.New("secret: want file:PATH or env:NAME; the secret itself is never written into a configuration")
}

// SecretKey is a key of the configuration that says where a secret is read: a file, as
// file:PATH, or a variable of the environment, as env:NAME.
type SecretKey struct{ Key, Source string }

// Secrets lists where the secrets of the configuration are read, in the order of its
// keys; what is not configured is left out.
func (s *Snapshot) Secrets() (out []SecretKey) {
	add := func(key, source string) {
		if source != "" {
			out = append(out, SecretKey{key, source})
		}
	}
	file := func(path string) string {
		if path == "" {
			return ""
		}
		return fromFile + path
	}
	add("status.key", file(s.Status.Key))
	add("status.token", s.Status.Token)
	add("publish.mqtt.key", file(s.Publish.MQTT.Key))
	add("publish.mqtt.password", s.Publish.MQTT.Password)
	add("engine.key", file(s.Engine.Key))
	add("engine.password", s.Engine.Password)
	for i := range s.Lines {
		c := &s.Lines[i].Controller
		at := fmt.Sprintf("lines.%d.controller.", i)
		add(at+"tls.key", file(c.TLS.Key))
		add(at+"opcua.password", c.OPCUA.Password)
		add(at+"opcua.user_key", file(c.OPCUA.UserKey))
	}
	return out
}

// Login is what a user proves himself with: a name and a password, or what the
// files of a certificate and its key hold, or nothing.
type Login struct {
	Name, Password   string
	Certificate, Key []byte // PEM or DER
}

// Login reads the configured user. lookup finds a variable of the environment.
// The error names every problem at once, and never holds a secret.
func (o *OPCUAServer) Login(lookup func(string) (string, bool)) (Login, error) {
	l := Login{Name: o.User}
	var bad []error
	if o.UserCertificate != "" || o.UserKey != "" {
		var err error
		if l.Certificate, err = readGuarded(o.UserCertificate, 0); err != nil {
			bad = append(bad, fmt.Errorf("user certificate: %w", err))
		}
		if l.Key, err = readPrivate(o.UserKey); err != nil {
			bad = append(bad, fmt.Errorf("user key: %w", err))
		}
	}
	if o.Password != "" {
		var err error
		if l.Password, err = ReadSecret(o.Password, lookup); err != nil {
			bad = append(bad, fmt.Errorf("password: %w", err))
		}
	}
	return l, errors.Join(bad...)
}

// ownerOnly are the permissions that a file with a secret does without.
const ownerOnly fs.FileMode = 0o077

// readPrivate reads a file that nobody but its owner may touch.
func readPrivate(path string) ([]byte, error) {
	data, err := readGuarded(path, ownerOnly)
	var loose *looseError
	switch {
	case errors.As(err, &loose):
		return nil, fmt.Errorf("secret file %s has %w, want 0600 or stricter: chmod 600 %s, and consider the secret as known", path, err, path)
	case err != nil:
		return nil, fmt.Errorf("secret file %s: %w", path, plainfile.Reason(err))
	}
	return data, nil
}

// looseError is a file that more people may touch than should.
type looseError struct{ mode fs.FileMode }

func (e *looseError) Error() string { return fmt.Sprintf("mode %04o", e.mode) }

// readGuarded reads a file without any of the forbidden permissions. Windows
// keeps its access lists elsewhere, and shows made-up permissions here.
func readGuarded(path string, forbidden fs.FileMode) ([]byte, error) {
	f, err := plainfile.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // only read
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if runtime.GOOS != "windows" && info.Mode().Perm()&forbidden != 0 && !isCredential(info) {
		return nil, &looseError{info.Mode().Perm()}
	}
	data, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err == nil && len(data) > maxBytes {
		err = fmt.Errorf("more than %d bytes", maxBytes)
	}
	return data, err
}
