package modbus

import (
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapgate/sim/controller"
)

// raw is a client that knows nothing but the frame: transaction, protocol 0,
// length, unit, PDU.
type raw struct {
	t    *testing.T
	conn net.Conn
	id   uint16
}

func dial(t *testing.T, addr string) *raw {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return &raw{t: t, conn: c}
}

func (r *raw) send(unit byte, pdu string) {
	r.t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(pdu, " ", ""))
	if err != nil {
		r.t.Fatal(err)
	}
	r.id++
	f := binary.BigEndian.AppendUint16(nil, r.id)
	f = binary.BigEndian.AppendUint16(f, 0)
	f = binary.BigEndian.AppendUint16(f, uint16(len(b)+1))
	if _, err := r.conn.Write(append(append(f, unit), b...)); err != nil {
		r.t.Fatal(err)
	}
}

func (r *raw) receive() (string, error) {
	h := make([]byte, 7)
	if _, err := io.ReadFull(r.conn, h); err != nil {
		return "", err
	}
	if id := binary.BigEndian.Uint16(h); id != r.id {
		r.t.Errorf("transaction %d answered as %d", r.id, id)
	}
	b := make([]byte, binary.BigEndian.Uint16(h[4:])-1)
	_, err := io.ReadFull(r.conn, b)
	return strings.ToUpper(hex.EncodeToString(b)), err
}

func (r *raw) ask(unit byte, pdu, want string) {
	r.t.Helper()
	r.send(unit, pdu)
	got, err := r.receive()
	if err != nil {
		r.t.Fatal(err)
	}
	if want = strings.ReplaceAll(want, " ", ""); got != want {
		r.t.Errorf("%s answered %s, want %s", pdu, got, want)
	}
}

func serve(t *testing.T, b controller.Bases) *Server {
	t.Helper()
	s, err := Listen(t.Context(), "127.0.0.1:0", 17, controller.NewImage(b), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func TestPublishedFrames(t *testing.T) {
	b := controller.DefaultBases()
	b.Heartbeat, b.Hello = 1, 0x6B
	c := dial(t, serve(t, b).Addr())
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", "sim_modbus.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 4 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		c.ask(17, row[0], row[1])
	}
}

func TestServedAndRefused(t *testing.T) {
	c := dial(t, serve(t, controller.DefaultBases()).Addr())
	c.ask(17, "03 03E8 0002", "03 04 0000 0000")
	c.ask(17, "04 03E8 0001", "04 02 0000")
	c.ask(17, "10 102C 0002 04 1234 5678", "10 102C 0002") // ACK
	c.ask(17, "04 102C 0002", "04 04 1234 5678")
	c.ask(17, "10 03E8 0001 02 0001", "90 02")                  // REQ is the controller's
	c.ask(17, "10 04B0 0001 02 0001", "90 02")                  // OUT too
	c.ask(17, "06 03E8 0001", "86 02")                          //
	c.ask(17, "10 1025 0002 04 0001 0002", "90 02")             // its last register and one beyond
	c.ask(17, "03 0000 0001", "83 02")                          // nothing there
	c.ask(17, "03 FFFF 0001", "83 02")                          //
	c.ask(17, "01 0000 0001", "81 01")                          // no coils
	c.ask(17, "02 0000 0001", "82 01")                          //
	c.ask(1, "03 03E8 0001", "83 0B")                           // another unit
	c.ask(1, "10 102C 0001 02 FFFF", "90 0B")                   //
	c.ask(17, "03 102C 0001", "03 02 1234")                     // and it wrote nothing
	c.ask(17, "2B 0E 01 00", "AB 01")                           // no such function
	c.ask(17, "03 0EA0 007D", "83 02")                          // runs into registers that are not there
	c.ask(17, "03 04B0 007D", "03 FA"+strings.Repeat("0", 500)) // the longest read
}

// An exception answers one request, and the next is served.
func TestExceptions(t *testing.T) {
	s := serve(t, controller.DefaultBases())
	r := dial(t, s.Addr())
	for _, code := range Exceptions() {
		s.Except(code)
		r.ask(17, "03 03E8 0001", fmt.Sprintf("83 %02X", code))
		r.ask(17, "03 03E8 0001", "03 02 0000")
		s.Except(code)
		r.ask(17, "10 0FA0 0001 02 0000", fmt.Sprintf("90 %02X", code))
	}
}

func TestManyClients(t *testing.T) {
	s := serve(t, controller.DefaultBases())
	for range 40 {
		dial(t, s.Addr()).ask(17, "03 03E8 0001", "03 02 0000")
	}
}

func TestCutLink(t *testing.T) {
	s := serve(t, controller.DefaultBases())
	c := dial(t, s.Addr())
	c.ask(17, "03 03E8 0001", "03 02 0000")
	s.Wire().Cut(time.Hour)
	if _, err := c.receive(); err == nil {
		t.Error("the connection lived on")
	}
	d := dial(t, s.Addr())
	if _, err := d.receive(); err == nil {
		t.Error("a connection was served while the link was cut")
	}
	s.Wire().Cut(0)
	dial(t, s.Addr()).ask(17, "03 03E8 0001", "03 02 0000")
}

// What is sent into a black hole arrives later, even when its sender is gone:
// a write that timed out may still land.
func TestBlackHoleDeliversLate(t *testing.T) {
	image := controller.NewImage(controller.DefaultBases())
	s, err := Listen(t.Context(), "127.0.0.1:0", 1, image, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	c := dial(t, s.Addr())
	c.ask(1, "03 03E8 0001", "03 02 0000")
	const hole = 100 * time.Millisecond
	begun := time.Now()
	s.Wire().Mute(hole)
	c.send(1, "10 102C 0001 02 BEEF")
	_ = c.conn.Close()
	// A second connection is held as well; its answer proves that the hole is
	// over, and the first connection's write went in before or goes in soon.
	d := dial(t, s.Addr())
	for image.Copy().Ack[0] != 0xBEEF {
		d.ask(1, "03 03E8 0001", "03 02 0000")
	}
	if took := time.Since(begun); took < hole {
		t.Errorf("answered out of a black hole after %v", took)
	}
}

func TestLateReply(t *testing.T) {
	s := serve(t, controller.DefaultBases())
	c := dial(t, s.Addr())
	const late = 100 * time.Millisecond
	s.Wire().Late(1, late)
	begun := time.Now()
	c.send(17, "03 03E8 0001")
	if got, err := c.receive(); err != nil || got != "03020000" || time.Since(begun) < late {
		t.Errorf("late answer %s, %v after %v, want %v at least", got, err, time.Since(begun), late)
	}
	c.ask(17, "03 03E8 0001", "03 02 0000")
}

func TestAddressInUse(t *testing.T) {
	s := serve(t, controller.DefaultBases())
	_, err := Listen(t.Context(), s.Addr(), 1, controller.NewImage(controller.DefaultBases()), nil)
	if err == nil || !strings.Contains(err.Error(), s.Addr()) || !strings.Contains(err.Error(), "port 0") {
		t.Errorf("error %v does not name the address and the remedy", err)
	}
}

func TestCloseEndsEverything(t *testing.T) {
	s := serve(t, controller.DefaultBases())
	c := dial(t, s.Addr())
	c.ask(17, "03 03E8 0001", "03 02 0000")
	s.Wire().Mute(time.Hour)
	c.send(17, "03 03E8 0001")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := c.receive(); err == nil {
		t.Error("a connection outlived the server")
	}
	if err := s.Close(); err != nil {
		t.Errorf("closed twice: %v", err)
	}
}
