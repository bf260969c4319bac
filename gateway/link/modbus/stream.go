package modbus

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"github.com/goburrow/modbus"

	"lapgate/gateway/link"
)

// NewTCP makes a dialer for plain Modbus TCP at host:port. The error names
// every problem at once.
func NewTCP(address string, conf Config) (*Dialer, error) {
	var bad []error
	if err := checkAddress(address); err != nil {
		bad = append(bad, err)
	}
	d, err := newDialer(conf, bad)
	if err != nil {
		return nil, err
	}
	d.overTCP(address)
	return d, nil
}

// overTCP has the dialer open plain connections to an address.
func (d *Dialer) overTCP(address string) {
	d.help = func(err error) string { return connectHelp(address, err) }
	d.open = func(ctx context.Context) (transport, modbus.Packager, error) {
		conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
		if err != nil {
			return nil, nil, err
		}
		return newStream(conn, d.conf.Timeout, plain), tcpPackager(d.conf.Unit), nil
	}
}

// Security is what Modbus/TCP Security needs. All are in PEM form.
type Security struct {
	Authorities []byte // certificates that sign the controller's, or its own
	Certificate []byte // of this gateway, with the chain behind it
	Key         []byte // of that certificate, unencrypted
	ServerName  string // in the controller's certificate; empty for the host of the address
	// Notice is how long before its end a certificate is warned of.
	Notice time.Duration
}

// NewTLS makes a dialer for Modbus/TCP Security at host:port. Both sides show
// a certificate; only the given authorities are trusted, and TLS is 1.2 or
// newer. The error names every problem at once.
func NewTLS(address string, security Security, conf Config) (*Dialer, error) {
	var bad []error
	if err := checkAddress(address); err != nil {
		bad = append(bad, err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(security.Authorities) {
		bad = append(bad, errors.New("trust file holds no certificate in PEM form: nothing would be trusted"))
	}
	own, err := tls.X509KeyPair(security.Certificate, security.Key)
	if err != nil {
		bad = append(bad, fmt.Errorf("certificate and key of the gateway: %w", err))
	}
	d, err := newDialer(conf, bad)
	if err != nil {
		return nil, err
	}
	name := security.ServerName
	if name == "" {
		name, _, _ = net.SplitHostPort(address)
	}
	secure := &tls.Config{
		RootCAs:      pool,
		Certificates: []tls.Certificate{own},
		ServerName:   name,
		MinVersion:   tls.VersionTLS12,
	}
	d.ready = func(now time.Time) error { return d.ownCertificate(own.Leaf, security.Notice, now) }
	d.help = func(err error) string { return tlsHelp(address, err) }
	d.open = func(ctx context.Context) (transport, modbus.Packager, error) {
		conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
		if err != nil {
			return nil, nil, err
		}
		secured := tls.Client(conn, secure)
		if err := secured.HandshakeContext(ctx); err != nil {
			_ = conn.Close()
			return nil, nil, fmt.Errorf("securing the connection: %w", err)
		}
		d.tellOfEnd(secured.ConnectionState().PeerCertificates[0], security.Notice, time.Now(), link.Warning{Code: "expiry",
			Text: "the certificate of the controller at " + address, Help: "have it renewed at the controller"})
		return newStream(secured, conf.Timeout, enciphered), tcpPackager(conf.Unit), nil
	}
	return d, nil
}

// ownCertificate refuses a certificate of the gateway that the controller could
// not accept, and warns ahead.
func (d *Dialer) ownCertificate(own *x509.Certificate, notice time.Duration, now time.Time) error {
	why := ""
	switch {
	case now.Before(own.NotBefore):
		why = "is not valid before " + own.NotBefore.UTC().Format(time.DateOnly)
	case now.After(own.NotAfter):
		why = "has ended on " + own.NotAfter.UTC().Format(time.DateOnly)
	default:
		d.tellOfEnd(own, notice, now, link.Warning{Code: "expiry", Text: "the certificate of the gateway",
			Help: "have a new one issued, put it in the place of the old one, and restart at a standstill"})
		return nil
	}
	return &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.New("the certificate of the gateway " + why),
		Help: "check the clock; then have a new certificate issued and put it in the place of the old one"}
}

// tellOfEnd warns of a certificate that ends soon. The end is added to the
// text of the warning.
func (d *Dialer) tellOfEnd(c *x509.Certificate, notice time.Duration, now time.Time, w link.Warning) {
	key := w.Text
	w.Text += " ends on " + c.NotAfter.UTC().Format(time.DateOnly)
	d.warnings.Tell(c.NotAfter.Sub(now) < notice, key, w)
}

func tcpPackager(unit uint8) modbus.Packager {
	h := modbus.NewTCPClientHandler("")
	h.SlaveId = unit
	return h
}

// cipher tells whether the bytes of a failed write may be under way although
// none was counted.
type cipher bool

const (
	plain      cipher = false
	enciphered cipher = true
)

// stream carries frames of Modbus TCP over one connection.
type stream struct {
	conn    net.Conn
	timeout time.Duration
	cipher  cipher
	wrote   bool
	ctx     context.Context
	stop    func() bool
	woken   chan struct{}
	buf     [maxFrame]byte
}

func newStream(conn net.Conn, timeout time.Duration, c cipher) *stream {
	return &stream{conn: conn, timeout: timeout, cipher: c, woken: make(chan struct{}, 1)}
}

// begin has the end of ctx interrupt whatever Send waits for.
func (s *stream) begin(ctx context.Context) {
	s.ctx, s.wrote = ctx, false
	if ctx.Done() != nil {
		s.stop = context.AfterFunc(ctx, func() {
			_ = s.conn.SetDeadline(time.Unix(1, 0))
			s.woken <- struct{}{}
		})
	}
}

// end waits for an interruption that has begun, so that it cannot hit the next
// call.
func (s *stream) end() {
	if s.stop != nil && !s.stop() {
		<-s.woken
	}
	s.ctx, s.stop = nil, nil
}

func (s *stream) sent() bool { return s.wrote }

func (s *stream) Close() error { return s.conn.Close() }

// Send writes a frame and reads the one that answers it.
func (s *stream) Send(request []byte) ([]byte, error) {
	s.wrote = false
	until := time.Now().Add(s.timeout)
	if end, ok := s.ctx.Deadline(); ok && end.Before(until) {
		until = end
	}
	if err := s.conn.SetDeadline(until); err != nil {
		return nil, err
	}
	// Only after the deadline is set: an interruption before it would be
	// overwritten and lost.
	if err := s.ctx.Err(); err != nil {
		return nil, err
	}
	n, err := s.conn.Write(request)
	s.wrote = n > 0 || bool(s.cipher)
	if err != nil {
		return nil, s.cause(err)
	}
	n, err = io.ReadAtLeast(s.conn, s.buf[:], headSize)
	if err != nil {
		return nil, s.cause(err)
	}
	body, err := bodyLength(s.buf[:headSize])
	if err != nil {
		return nil, err
	}
	whole := headSize - 1 + body
	if n < whole {
		if _, err = io.ReadFull(s.conn, s.buf[n:whole]); err != nil {
			return nil, s.cause(err)
		}
	} else if n > whole {
		return nil, fmt.Errorf("%d bytes came behind the answer, want none", n-whole)
	}
	return s.buf[:whole], checkTCP(request, s.buf[:whole])
}

// cause names the context as the cause of an interruption. The connection's
// deadline can strike a moment before the context's own.
func (s *stream) cause(err error) error {
	if why := s.ctx.Err(); why != nil {
		return fmt.Errorf("%w: %w", why, err)
	}
	if end, ok := s.ctx.Deadline(); ok && timedOut(err) && !time.Now().Before(end) {
		return fmt.Errorf("%w: %w", context.DeadlineExceeded, err)
	}
	return err
}
