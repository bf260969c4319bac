package enginetest

import (
	"net"
	"os"
	"path/filepath"
	"testing"
)

// Secured starts a server for one test that is reached by TLS on loopback too, with a
// certificate and its key in PEM form. access are lines of its pg_hba.conf for that; by its
// socket everybody is let in.
func Secured(t testing.TB, certificate, key []byte, access string) (s *Server, address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address = l.Addr().String()
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil { // the server takes the port over
		t.Fatal(err)
	}
	s, err = start(port, []string{"listen_addresses='127.0.0.1'", "port=" + port, "ssl=on", "password_encryption='scram-sha-256'"}, func(s *Server) error {
		for name, text := range map[string][]byte{"server.crt": certificate, "server.key": key, "pg_hba.conf": []byte("local all all trust\n" + access)} {
			path := filepath.Join(s.data(), name)
			if err := os.WriteFile(path, text, 0o600); err != nil {
				return err
			}
			if err := give(path); err != nil {
				return err
			}
		}
		return nil
	})
	s.or(t, err)
	t.Cleanup(s.end)
	return s, address
}
