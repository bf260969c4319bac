package engine_test

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgproto3"

	"lapgate/gateway/engine"
)

// refusing is a server that lets everybody in unless refuse says why not, and answers every
// statement with an error. It is reached by the socket in the folder returned.
func refusing(t *testing.T, refuse func(*pgproto3.StartupMessage) *pgproto3.ErrorResponse) (folder string) {
	t.Helper()
	folder, err := os.MkdirTemp("", "lr") // the path of a socket is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	l, err := net.Listen("unix", filepath.Join(folder, ".s.PGSQL.5432"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer func() { _ = conn.Close() }()
				answer(pgproto3.NewBackend(conn, conn), refuse)
			}()
		}
	}()
	return folder
}

func answer(b *pgproto3.Backend, refuse func(*pgproto3.StartupMessage) *pgproto3.ErrorResponse) {
	first, err := b.ReceiveStartupMessage()
	start, ok := first.(*pgproto3.StartupMessage)
	if err != nil || !ok {
		return
	}
	if why := refuse(start); why != nil {
		b.Send(why)
		_ = b.Flush()
		return
	}
	b.Send(&pgproto3.AuthenticationOk{})
	b.Send(&pgproto3.ReadyForQuery{TxStatus: 'I'})
	for b.Flush() == nil {
		m, err := b.Receive()
		if err != nil {
			return
		}
		switch m.(type) {
		case *pgproto3.Query, *pgproto3.Sync:
			b.Send(&pgproto3.ErrorResponse{Severity: "ERROR", SeverityUnlocalized: "ERROR", Code: "22023", Message: "no statement is done here"})
			b.Send(&pgproto3.ReadyForQuery{TxStatus: 'I'})
		}
	}
}

// TestServerThatCannotWatch: a server on a system that does not tell whether a client is gone
// refuses a connection that asks for that from the beginning; it is connected to all the same.
func TestServerThatCannotWatch(t *testing.T) {
	folder := refusing(t, func(s *pgproto3.StartupMessage) *pgproto3.ErrorResponse {
		if v, asked := s.Parameters["client_connection_check_interval"]; asked {
			return &pgproto3.ErrorResponse{Severity: "FATAL", SeverityUnlocalized: "FATAL", Code: "22023", Message: `invalid value for parameter "client_connection_check_interval": "` + v + `"`}
		}
		return nil
	})
	_, err := engine.New(engine.Settings{Address: folder, Database: "d", User: "u"}).Connect(t.Context())
	if err == nil || !strings.Contains(err.Error(), "no statement is done here") {
		t.Errorf("%v, want the first statement to be asked", err)
	}
}

// TestPooler: a pooler that does not know what is asked of a connection is told as one.
func TestPooler(t *testing.T) {
	folder := refusing(t, func(*pgproto3.StartupMessage) *pgproto3.ErrorResponse {
		return &pgproto3.ErrorResponse{Severity: "FATAL", SeverityUnlocalized: "FATAL", Code: "08P01", Message: "unsupported startup parameter: jit"}
	})
	f := engine.New(engine.Settings{Address: folder, Database: "d", User: "u"}).Examine(t.Context())[0]
	if f.Err == nil || !strings.Contains(f.Remedy, "pooler") {
		t.Errorf("%v, remedy %q", f.Err, f.Remedy)
	}
}
