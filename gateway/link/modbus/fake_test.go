package modbus_test

import (
	"crypto/tls"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"
	"lapgate/gateway/link/modbus"
)

func layout(t testing.TB) link.Layout {
	t.Helper()
	l, err := link.NewLayout(map[handshake.ID]int{
		handshake.REQ: 1000, handshake.OUT: 1200, handshake.HEARTBEAT: 4000, handshake.HELLO: 4010,
		handshake.PAYLOAD: 4030, handshake.COMMIT: 4120, handshake.ACK: 4140, handshake.LIMITS: 4200,
	})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func config(t testing.TB) modbus.Config {
	return modbus.Config{Unit: 7, Layout: layout(t), Limits: link.Limits{Read: 125, Write: 123}, Timeout: time.Minute}
}

// registers is the memory of a controller, with the faults that its way of
// answering can have.
type registers struct {
	mu       sync.Mutex
	layout   link.Layout
	regs     [65536]uint16
	requests int
	fault    linktest.Fault
	except   byte       // exception code of the next request
	late     func()     // the write held back
	conns    []net.Conn // open connections

	inputs bool // the controller's own blocks are input registers
	single bool // there is no function 16
	most   int  // registers in one read, 0 for all that Modbus allows
	strict bool // only its own blocks are read, each whole and alone
	// onRequest is called for each request, with the lock held.
	onRequest func()
	writes    int // registers written by function 6 from now on before an exception 4 stops them; 0 for all
}

// input tells whether an address is one of the input registers.
func (r *registers) input(at int) bool {
	return r.inputs && (at < r.layout.Address(handshake.HEARTBEAT, 0) || at >= r.layout.Address(handshake.LIMITS, 0))
}

// whole tells whether a range is the request block, or one to three entries of the
// ring.
func (r *registers) whole(at, n int) bool {
	ring := at - r.layout.Address(handshake.OUT, 0)
	return at == r.layout.Address(handshake.REQ, 0) && n == handshake.ReqWords ||
		ring >= 0 && ring%handshake.OutWords == 0 && n%handshake.OutWords == 0 && n <= 3*handshake.OutWords && ring+n <= handshake.OutEntries*handshake.OutWords
}

func (r *registers) Load(id handshake.ID, entry int, dst []uint16) {
	r.mu.Lock()
	defer r.mu.Unlock()
	copy(dst, r.regs[r.layout.Address(id, entry):])
}

func (r *registers) Store(id handshake.ID, entry int, words []uint16) {
	r.mu.Lock()
	defer r.mu.Unlock()
	copy(r.regs[r.layout.Address(id, entry):], words)
}

func (r *registers) Requests() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.requests
}

func (r *registers) Play(f linktest.Fault) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if f != linktest.Hangup {
		r.fault = f
		return
	}
	for _, c := range r.conns {
		_ = c.Close()
	}
}

// Land carries out the write held back, which was counted a moment before it is held.
func (r *registers) Land() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for r.late == nil {
		r.mu.Unlock()
		<-time.After(time.Millisecond)
		r.mu.Lock()
	}
	r.late()
	r.late = nil
}

// take counts a request and returns the fault that it meets.
func (r *registers) take() (linktest.Fault, byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.requests++
	if r.onRequest != nil {
		r.onRequest()
	}
	f, x := r.fault, r.except
	r.fault, r.except = "", 0
	return f, x
}

// answer carries out a request PDU and returns the PDU that confirms it.
func (r *registers) answer(pdu []byte) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	at, n := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	switch pdu[0] {
	case 3, 4:
		most := 125
		if r.most > 0 {
			most = r.most
		}
		if n < 1 || n > most || at+n > 65536 {
			return []byte{pdu[0] | 0x80, 3}
		}
		if r.input(at) != (pdu[0] == 4) || r.strict && !r.whole(at, n) {
			return []byte{pdu[0] | 0x80, 2}
		}
		out := []byte{pdu[0], byte(2 * n)}
		for _, w := range r.regs[at : at+n] {
			out = binary.BigEndian.AppendUint16(out, w)
		}
		return out
	case 6:
		if r.writes > 0 {
			if r.writes--; r.writes == 0 {
				return []byte{0x86, 4}
			}
		}
		r.regs[at] = uint16(n)
		return append([]byte(nil), pdu...)
	case 16:
		if r.single {
			return []byte{0x90, 1}
		}
		if n < 1 || n > 123 || at+n > 65536 || len(pdu) != 6+2*n || int(pdu[5]) != 2*n {
			return []byte{0x90, 3}
		}
		for i := range n {
			r.regs[at+i] = binary.BigEndian.Uint16(pdu[6+2*i:])
		}
		return append([]byte(nil), pdu[:5]...)
	}
	return []byte{pdu[0] | 0x80, 1}
}

// rawController answers Modbus TCP byte by byte, and can answer wrongly.
type rawController struct {
	registers
	listener net.Listener
	done     sync.WaitGroup
}

func newRawController(t testing.TB, secure *tls.Config) *rawController {
	t.Helper()
	return newRawControllerAt(t, "127.0.0.1:0", secure)
}

func newRawControllerAt(t testing.TB, address string, secure *tls.Config) *rawController {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	c := &rawController{listener: l}
	c.layout = layout(t)
	c.done.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			served := conn
			if secure != nil {
				served = tls.Server(conn, secure)
			}
			c.mu.Lock()
			c.conns = append(c.conns, conn)
			c.mu.Unlock()
			c.done.Go(func() {
				c.serve(served, conn.(*net.TCPConn))
				c.forget(conn)
			})
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		c.Play(linktest.Hangup)
		c.done.Wait()
	})
	return c
}

func (c *rawController) address() string { return c.listener.Addr().String() }

func (c *rawController) forget(conn net.Conn) {
	_ = conn.Close()
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, o := range c.conns {
		if o == conn {
			c.conns = append(c.conns[:i], c.conns[i+1:]...)
			return
		}
	}
}

func frame(transaction, unit []byte, pdu []byte) []byte {
	out := append([]byte(nil), transaction...)
	out = append(out, 0, 0)
	out = binary.BigEndian.AppendUint16(out, uint16(len(pdu)+1))
	out = append(out, unit...)
	return append(out, pdu...)
}

// serve answers until the connection ends.
func (c *rawController) serve(conn net.Conn, tcp *net.TCPConn) {
	var buf [260]byte
	for {
		if _, err := io.ReadFull(conn, buf[:7]); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(buf[4:]))
		if n < 2 || n > 254 {
			return
		}
		if _, err := io.ReadFull(conn, buf[7:6+n]); err != nil {
			return
		}
		if err := c.reply(conn, tcp, append([]byte(nil), buf[:6+n]...)); err != nil {
			return
		}
	}
}

var errEnd = errors.New("end of the connection")

func (c *rawController) reply(conn net.Conn, tcp *net.TCPConn, request []byte) error {
	fault, except := c.take()
	id, unit, pdu := request[:2], request[6:7], request[7:]
	send := func(b []byte) error {
		_, err := conn.Write(b)
		return err
	}
	if except != 0 {
		return send(frame(id, unit, []byte{pdu[0] | 0x80, except}))
	}
	switch fault {
	case linktest.Refuse:
		return send(frame(id, unit, []byte{pdu[0] | 0x80, 2}))
	case linktest.FIN:
		return errEnd
	case linktest.RST:
		_ = tcp.SetLinger(0)
		return errEnd
	case linktest.BlackHole:
		return nil
	case linktest.Late:
		c.mu.Lock()
		c.late = func() {
			c.mu.Unlock()
			c.answer(pdu)
			c.mu.Lock()
		}
		c.mu.Unlock()
		return nil
	}
	right := c.answer(pdu)
	switch fault {
	case linktest.Landed:
		return errEnd
	case linktest.ShortReply:
		short := append([]byte(nil), right[:len(right)-2]...)
		if short[0] <= 4 {
			short[1] -= 2
		}
		return send(frame(id, unit, short))
	case linktest.CutReply:
		whole := frame(id, unit, right)
		_ = send(whole[:len(whole)/2])
		return errEnd
	case linktest.StaleTransaction:
		return send(frame([]byte{id[0], id[1] - 1}, unit, right))
	case linktest.WrongUnit:
		return send(frame(id, []byte{unit[0] + 1}, right))
	case linktest.WrongFunction:
		wrong := append([]byte(nil), right...)
		wrong[0] ^= 7 // 3 becomes 4, 4 becomes 3, and the others what is never asked for
		return send(frame(id, unit, wrong))
	case linktest.WrongEcho:
		if right[0] > 4 {
			right[2]++
		}
	case linktest.BadLength:
		whole := frame(id, unit, right)
		binary.BigEndian.PutUint16(whole[4:], 0)
		return send(whole)
	case linktest.Trailing:
		whole := frame(id, unit, right)
		return send(append(whole, whole...))
	case linktest.Segmented:
		for _, b := range frame(id, unit, right) {
			if err := send([]byte{b}); err != nil {
				return err
			}
		}
		return nil
	}
	return send(frame(id, unit, right))
}

// refusingAddress is one where nothing listens.
func refusingAddress(t testing.TB) string {
	t.Helper()
	return must[string](t)(linktest.FreeAddress())
}
