package main

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
	"lapgate/sim"
)

// demoTransport is what joins the daemon and the simulator of a demo.
type demoTransport string

const (
	demoModbus    demoTransport = "modbus"
	demoModbusTLS demoTransport = "modbus-tls"
	demoOPCUA     demoTransport = "opcua"
)

func demoTransports() []demoTransport { return []demoTransport{demoModbus, demoModbusTLS, demoOPCUA} }

// demoTLSFolder holds the certificates of a demo over TLS, below its folder.
const demoTLSFolder = "tls"

// demoUser is who the daemon of a demo logs in as over OPC UA.
const demoUser = "gateway"

// serve sets the simulator's servers. The password of an OPC UA server, and the
// certificates of a Modbus server with TLS, are made for this demo alone.
func (t demoTransport) serve(c *sim.Config, line, dir string) error {
	switch t {
	case demoModbusTLS:
		var err error
		c.Modbus.TLS, err = simSecurity(filepath.Join(dir, demoTLSFolder), "", time.Now())
		return err
	case demoOPCUA:
		c.OPCUA.Addr, c.Modbus.Addr = c.Modbus.Addr, ""
		c.OPCUA.Line = line
		c.OPCUA.Users = map[string]string{demoUser: rand.Text()}
	}
	return nil
}

// address is where the simulator is reached, with the protocol before it.
func (t demoTransport) address(s *sim.Sim) string {
	switch t {
	case demoOPCUA:
		return "opcua " + s.OPCUA().URL()
	case demoModbusTLS:
		return "modbus-tls " + s.ModbusAddr()
	}
	return "modbus-tcp " + s.ModbusAddr()
}

// settings are the overrides that join the daemon of a demo to the simulator.
func (t demoTransport) settings(s *sim.Sim, dir string) map[string]string {
	const controller = "lines.0.controller."
	switch t {
	case demoOPCUA:
		return nil // its dialing does it
	case demoModbusTLS:
		file := func(name string) string { return filepath.Join(dir, demoTLSFolder, name) }
		return map[string]string{
			controller + "address":         s.ModbusAddr(),
			controller + "protocol":        string(config.ModbusTLS),
			controller + "plain":           "false",
			controller + "tls.authorities": file(authorityFile),
			controller + "tls.certificate": file(gatewayFile),
			controller + "tls.key":         file(gatewayKeyFile),
		}
	}
	return map[string]string{controller + "address": s.ModbusAddr()}
}

// dialing makes the dialers of a daemon that writes to a log.
type dialing func(*zap.Logger) func(*config.Line) (link.Dialer, error)

// dialing is that of the daemon. Over OPC UA everything is encrypted; both
// ends are this process, so it accepts the certificate that it made itself.
func (t demoTransport) dialing(p *program, s *sim.Sim, users map[string]string, dir string) dialing {
	if t != demoOPCUA {
		return p.dialers
	}
	return func(log *zap.Logger) func(*config.Line) (link.Dialer, error) {
		return func(l *config.Line) (link.Dialer, error) {
			settings := connect.Server(l)
			settings.Warn = func(w opcua.Warning) { warnTo(log, l)(link.Warning(w)) }
			settings.Endpoint = s.OPCUA().URL()
			settings.Folder = filepath.Join(dir, opcua.DefaultFolder)
			settings.User = opcua.User{Name: demoUser, Password: opcua.Secret(users[demoUser])}
			certificate := s.OPCUA().Certificate()
			fingerprint := sha256.Sum256(certificate)
			if _, err := (opcua.TrustList{Folder: settings.Folder}).Accept(certificate, hex.EncodeToString(fingerprint[:])); err != nil {
				return nil, err
			}
			return opcua.New(settings)
		}
	}
}
