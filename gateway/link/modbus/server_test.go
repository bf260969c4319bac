package modbus_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	server "github.com/simonvetter/modbus"

	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"
	"lapgate/gateway/link/modbus"
)

// handler puts registers behind a Modbus server that was not written here.
type handler struct {
	registers
	unit   uint8
	over   chan struct{} // closed at the end of the test
	land   chan struct{} // carries out the write held back
	landed chan struct{}
}

func (h *handler) HandleCoils(*server.CoilsRequest) ([]bool, error) {
	return nil, server.ErrIllegalFunction
}

func (h *handler) HandleDiscreteInputs(*server.DiscreteInputsRequest) ([]bool, error) {
	return nil, server.ErrIllegalFunction
}

func (h *handler) HandleInputRegisters(*server.InputRegistersRequest) ([]uint16, error) {
	return nil, server.ErrIllegalFunction
}

func (h *handler) HandleHoldingRegisters(req *server.HoldingRegistersRequest) ([]uint16, error) {
	fault, _ := h.take()
	if req.UnitId != h.unit {
		return nil, server.ErrGWTargetFailedToRespond
	}
	switch fault {
	case linktest.Refuse:
		return nil, server.ErrIllegalDataAddress
	case linktest.BlackHole:
		<-h.over
		return nil, server.ErrServerDeviceFailure
	case linktest.Late:
		select {
		case <-h.land:
			defer close(h.landed)
		case <-h.over:
			return nil, server.ErrServerDeviceFailure
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	at := h.regs[req.Addr:][:req.Quantity]
	if req.IsWrite {
		copy(at, req.Args)
		return nil, nil
	}
	return append([]uint16(nil), at...), nil
}

// startServer starts the server on a free port. The library does not tell the
// port it was given, so one is found first.
func startServer(t testing.TB, h *handler, conf server.ServerConfiguration, scheme string) string {
	t.Helper()
	address := refusingAddress(t)
	conf.URL = scheme + "://" + address
	conf.Logger = log.New(io.Discard, "", 0)
	conf.MaxClients = 20
	s, err := server.NewServer(&conf, h)
	if err == nil {
		err = s.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		close(h.over)
		if err := s.Stop(); err != nil {
			t.Error(err)
		}
	})
	return address
}

func newHandler(t testing.TB) *handler {
	h := &handler{unit: 7, over: make(chan struct{}), land: make(chan struct{}), landed: make(chan struct{})}
	h.layout = layout(t)
	return h
}

func (h *handler) harness(d link.Dialer) *linktest.Harness {
	return &linktest.Harness{
		Dialer: d, Load: h.Load, Store: h.Store, Requests: h.Requests,
		Faults: []linktest.Fault{linktest.Refuse, linktest.BlackHole, linktest.Late},
		Play:   h.Play,
		Land:   func() { close(h.land); <-h.landed },
	}
}

// TestSuiteAgainstForeignServer runs the suite against a server that was not
// written here.
func TestSuiteAgainstForeignServer(t *testing.T) {
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		h := newHandler(t)
		address := startServer(t, h, server.ServerConfiguration{}, "tcp")
		return h.harness(must[*modbus.Dialer](t)(modbus.NewTCP(address, config(t))))
	})
}

func TestWrongUnitAtDial(t *testing.T) {
	h := newHandler(t)
	address := startServer(t, h, server.ServerConfiguration{}, "tcp")
	conf := config(t)
	conf.Unit = 8
	_, err := must[*modbus.Dialer](t)(modbus.NewTCP(address, conf)).Dial(t.Context())
	if link.ClassOf(err) != link.Down || !strings.Contains(err.Error(), "unit identifier") {
		t.Errorf("got %v, want down with the remedy for the unit identifier", err)
	}
}

// authority signs certificates for a test.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pem  []byte
}

func newAuthority(t testing.TB) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &authority{cert, key, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
}

// issue makes a certificate for the loopback address and both uses.
func (a *authority) issue(t testing.TB, ends time.Time) (cert, key []byte) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "test device"},
		NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: ends,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &k.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}),
		pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: keyDER})
}

func (a *authority) pair(t testing.TB, ends time.Time) tls.Certificate {
	t.Helper()
	return must[tls.Certificate](t)(tls.X509KeyPair(a.issue(t, ends)))
}

func (a *authority) pool() *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(a.cert)
	return p
}

func (a *authority) security(t testing.TB) modbus.Security {
	cert, key := a.issue(t, time.Now().Add(time.Hour))
	return modbus.Security{Authorities: a.pem, Certificate: cert, Key: key}
}

func TestSuiteOverTLS(t *testing.T) {
	a := newAuthority(t)
	own, security := a.pair(t, time.Now().Add(time.Hour)), a.security(t)
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		c := newRawController(t, &tls.Config{Certificates: []tls.Certificate{own}, ClientCAs: a.pool(),
			ClientAuth: tls.RequireAndVerifyClientCert, MinVersion: tls.VersionTLS12})
		dialer := must[*modbus.Dialer](t)
		return rawHarness(c, dialer(modbus.NewTLS(c.address(), security, config(t))),
			dialer(modbus.NewTLS(refusingAddress(t), security, config(t))))
	})
}

func TestSuiteOverTLSAgainstForeignServer(t *testing.T) {
	a := newAuthority(t)
	own, security := a.pair(t, time.Now().Add(time.Hour)), a.security(t)
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		h := newHandler(t)
		address := startServer(t, h, server.ServerConfiguration{TLSServerCert: &own, TLSClientCAs: a.pool()}, "tcp+tls")
		return h.harness(must[*modbus.Dialer](t)(modbus.NewTLS(address, security, config(t))))
	})
}

// TestTLSRefusals connects with each thing that can be wrong about the
// certificates; all are refused, and each names its own remedy.
func TestTLSRefusals(t *testing.T) {
	a, other := newAuthority(t), newAuthority(t)
	hour := time.Now().Add(time.Hour)
	for _, tt := range []struct {
		name   string
		server *tls.Config
		client func() modbus.Security
		help   string
	}{
		{"controller signed by another", &tls.Config{Certificates: []tls.Certificate{other.pair(t, hour)}},
			func() modbus.Security { return a.security(t) }, "not signed by an authority in the trust file"},
		{"controller for another name", &tls.Config{Certificates: []tls.Certificate{a.pair(t, hour)}},
			func() modbus.Security { s := a.security(t); s.ServerName = "wrapper-1.mill"; return s }, "for another name"},
		{"controller expired", &tls.Config{Certificates: []tls.Certificate{a.pair(t, time.Now().Add(-time.Hour))}},
			func() modbus.Security { return a.security(t) }, "check the clocks"},
		{"gateway signed by another", &tls.Config{Certificates: []tls.Certificate{a.pair(t, hour)}, ClientCAs: a.pool(), ClientAuth: tls.RequireAndVerifyClientCert},
			func() modbus.Security { s := other.security(t); s.Authorities = a.pem; return s }, "does not accept this gateway's certificate"},
		{"controller too old", &tls.Config{Certificates: []tls.Certificate{a.pair(t, hour)}, MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10},
			func() modbus.Security { return a.security(t) }, "accept"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := newRawController(t, tt.server)
			d := must[*modbus.Dialer](t)(modbus.NewTLS(c.address(), tt.client(), config(t)))
			_, err := d.Dial(t.Context())
			if link.ClassOf(err) != link.Down || !strings.Contains(err.Error(), tt.help) {
				t.Errorf("got %v, want down with the remedy %q", err, tt.help)
			}
			if n := c.Requests(); n != 0 {
				t.Errorf("%d requests reached the controller", n)
			}
		})
	}
	t.Run("controller without TLS", func(t *testing.T) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		go func() {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			_, _ = conn.Write([]byte{0, 1, 0, 0, 0, 3, 7, 0x83, 1})
			_, _ = io.Copy(io.Discard, conn)
			_ = conn.Close()
		}()
		d := must[*modbus.Dialer](t)(modbus.NewTLS(l.Addr().String(), a.security(t), config(t)))
		if _, err := d.Dial(t.Context()); link.ClassOf(err) != link.Down || !strings.Contains(err.Error(), "does not speak TLS") {
			t.Errorf("got %v, want down with the remedy for plain Modbus", err)
		}
	})
}
