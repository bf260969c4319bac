package modbus_test

import (
	"crypto/tls"
	"errors"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"
	"lapgate/gateway/link/modbus"
)

// TestServerRestart kills the controller's server under an open port, and
// starts another at the same address, with a memory of its own.
func TestServerRestart(t *testing.T) {
	a := newAuthority(t)
	own, security := a.pair(t, time.Now().Add(time.Hour)), a.security(t)
	for _, tt := range []struct {
		name   string
		secure *tls.Config
		dialer func(address string) (*modbus.Dialer, error)
	}{
		{"tcp", nil, func(address string) (*modbus.Dialer, error) { return modbus.NewTCP(address, config(t)) }},
		{"tls", &tls.Config{Certificates: []tls.Certificate{own}, ClientCAs: a.pool(), ClientAuth: tls.RequireAndVerifyClientCert},
			func(address string) (*modbus.Dialer, error) { return modbus.NewTLS(address, security, config(t)) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			before := newRawControllerAt(t, refusingAddress(t), tt.secure)
			d := must[*modbus.Dialer](t)(tt.dialer(before.address()))
			p, err := d.Dial(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			span := link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}
			if err := p.Read(t.Context(), span); err != nil {
				t.Fatal(err)
			}
			_ = before.listener.Close()
			before.Play(linktest.Hangup)
			before.done.Wait()
			if err := p.Write(t.Context(), handshake.ACK, ackOf(t, 3)); link.ClassOf(err) != link.Down && link.ClassOf(err) != link.Unknown {
				t.Errorf("write while it is gone: got %v", err)
			}
			if err := p.Read(t.Context(), span); link.ClassOf(err) != link.Down {
				t.Errorf("read while it is gone: got %v, want down", err)
			}
			_ = p.Close()
			if _, err := d.Dial(t.Context()); link.ClassOf(err) != link.Down {
				t.Errorf("dial while it is gone: got %v, want down", err)
			}
			after := newRawControllerAt(t, before.address(), tt.secure)
			after.Store(handshake.REQ, 0, []uint16{0x5251, 1, 7})
			again, err := d.Dial(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer again.Close()
			if err := again.Read(t.Context(), span); err != nil || span.Dst[2] != 7 {
				t.Errorf("after the restart: %v, %d", err, span.Dst[2])
			}
		})
	}
}

// TestCertificatesEnd holds what is said of certificates that have ended or
// will soon.
func TestCertificatesEnd(t *testing.T) {
	a := newAuthority(t)
	const notice = 30 * 24 * time.Hour
	soon, later := time.Now().Add(10*24*time.Hour), time.Now().Add(60*24*time.Hour)
	for _, tt := range []struct {
		name            string
		controller, own time.Time // their ends
		warnings        []string
	}{
		{"neither", later, later, nil},
		{"controller's ends soon", soon, later, []string{"the certificate of the controller at "}},
		{"own ends soon", later, soon, []string{"the certificate of the gateway ends on " + soon.UTC().Format(time.DateOnly)}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := newRawController(t, &tls.Config{Certificates: []tls.Certificate{a.pair(t, tt.controller)}})
			var got []link.Warning
			conf := config(t)
			conf.Warn = func(w link.Warning) { got = append(got, w) }
			cert, key := a.issue(t, tt.own)
			d := must[*modbus.Dialer](t)(modbus.NewTLS(c.address(),
				modbus.Security{Authorities: a.pem, Certificate: cert, Key: key, Notice: notice}, conf))
			for range 2 { // told once
				p, err := d.Dial(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				_ = p.Close()
			}
			if len(got) != len(tt.warnings) {
				t.Fatalf("got %v, want %q", got, tt.warnings)
			}
			for i, w := range got {
				if w.Code != "expiry" || w.Help == "" || !strings.HasPrefix(w.Text, tt.warnings[i]) {
					t.Errorf("got %+v, want %q", w, tt.warnings[i])
				}
			}
		})
	}
	c := newRawController(t, &tls.Config{Certificates: []tls.Certificate{a.pair(t, later)}})
	cert, key := a.issue(t, time.Now().Add(-time.Minute))
	d := must[*modbus.Dialer](t)(modbus.NewTLS(c.address(), modbus.Security{Authorities: a.pem, Certificate: cert, Key: key, Notice: notice}, config(t)))
	_, err := d.Dial(t.Context())
	var e *link.Error
	if !errors.As(err, &e) || e.Class != link.ConfigClass || !strings.Contains(e.Err.Error(), "the certificate of the gateway has ended on") || e.Help == "" {
		t.Errorf("got %v, want a config error that names the end", err)
	}
}

func TestProbe(t *testing.T) {
	c := newRawController(t, nil)
	c.inputs = true
	c.Store(handshake.ACK, 0, []uint16{0x1234, 0xABCD})
	c.Store(handshake.REQ, 0, []uint16{0x5251})
	p, err := modbus.OpenProbe(t.Context(), c.address(), 7, config(t).Timeout)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	words, took, err := p.Read(t.Context(), modbus.ReadHolding, 4140, 2)
	if err != nil || words[0] != 0x1234 || words[1] != 0xABCD || took <= 0 {
		t.Errorf("got %04X, %v, %v", words, took, err)
	}
	if words, _, err = p.Read(t.Context(), modbus.ReadInput, 1000, 1); err != nil || words[0] != 0x5251 {
		t.Errorf("got %04X, %v", words, err)
	}
	_, _, err = p.Read(t.Context(), modbus.ReadHolding, 1000, 3)
	var e *modbus.ProbeError
	if !errors.As(err, &e) || e.Class != link.Refused || !strings.Contains(err.Error(), "registers 1000 to 1002") || !strings.Contains(err.Error(), "register 41001") {
		t.Errorf("got %v, want a refusal in both notations", err)
	}
	if _, _, err := p.Read(t.Context(), modbus.ReadHolding, 4140, 1); err != nil {
		t.Errorf("after a refusal: %v", err)
	}
	c.Play(linktest.FIN)
	if _, _, err = p.Read(t.Context(), modbus.ReadHolding, 4140, 1); !errors.As(err, &e) || e.Class != link.Unknown {
		t.Errorf("got %v, want unknown", err)
	}
	if _, err := modbus.OpenProbe(t.Context(), refusingAddress(t), 7, time.Second); link.ClassOf(err) != link.Down {
		t.Errorf("nobody there: got %v, want down", err)
	}
	if _, err := modbus.OpenProbe(t.Context(), "nonsense", 7, 0); link.ClassOf(err) != link.ConfigClass {
		t.Errorf("no address: got %v, want a config error", err)
	}
}

// TestNotation rests on the Modbus Application Protocol (P), in which the
// number of a register is one more than its address.
func TestNotation(t *testing.T) {
	for _, tt := range []struct {
		kind, address int
		want          string
	}{{4, 0, "40001"}, {4, 1000, "41001"}, {3, 1000, "31001"}, {4, 9998, "49999"}, {4, 9999, "410000"}, {3, 65535, "365536"}} {
		if got := modbus.Notation(tt.kind, tt.address); got != tt.want {
			t.Errorf("kind %d address %d is %s, want %s", tt.kind, tt.address, got, tt.want)
		}
	}
}
