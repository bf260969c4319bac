package rehearse

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/tags"
	"lapgate/sim"
	"lapgate/sim/mapped"
	"lapgate/sim/modbus"
)

// Transport is what joins daemon and simulator in a rehearsal.
type Transport string

// The transports.
const (
	Modbus    Transport = "modbus"
	ModbusTLS Transport = "modbus-tls"
	OPCUA     Transport = "opcua"
	Mapped    Transport = "mapped" // tags in place of blocks, over Modbus
)

// Transports lists them.
func Transports() []Transport { return []Transport{Modbus, ModbusTLS, OPCUA, Mapped} }

// tlsFolder holds the certificates of a rehearsal over TLS, below its folder.
const tlsFolder = "tls"

// user is who the daemon logs in as over OPC UA.
const user = "gateway"

// Serve sets the simulator's servers for a line of that name. The password of
// an OPC UA server, and the certificates of a Modbus server with TLS, are made
// for this rehearsal alone; the certificates stand below dir.
func (t Transport) Serve(c *sim.Config, line, dir string) error {
	switch t {
	case ModbusTLS:
		var err error
		c.Modbus.TLS, err = modbus.SecurityIn(filepath.Join(dir, tlsFolder), "", false, time.Now())
		return err
	case OPCUA:
		c.OPCUA.Addr, c.Modbus.Addr = c.Modbus.Addr, ""
		c.OPCUA.Line = line
		c.OPCUA.Users = map[string]string{user: rand.Text()}
	case Mapped:
		c.Tags = &mapped.Config{Order: wordOrder}
	}
	return nil
}

// Address is where the simulator is reached, with the protocol before it.
func (t Transport) Address(s *sim.Sim) string {
	switch t {
	case OPCUA:
		return "opcua " + s.OPCUA().URL()
	case ModbusTLS:
		return "modbus-tls " + s.ModbusAddr()
	case Mapped:
		return "modbus-tcp " + s.ModbusAddr() + " with tags"
	}
	return "modbus-tcp " + s.ModbusAddr()
}

// Settings are the overrides of a configuration that join the daemon to the
// simulator.
func (t Transport) Settings(s *sim.Sim, dir string) map[string]string {
	const controller = "lines.0.controller."
	switch t {
	case OPCUA:
		return nil // its dialer does it
	case ModbusTLS:
		file := func(name string) string { return filepath.Join(dir, tlsFolder, name) }
		return map[string]string{
			controller + "address":         s.ModbusAddr(),
			controller + "protocol":        string(config.ModbusTLS),
			controller + "plain":           "false",
			controller + "tls.authorities": file(modbus.AuthorityFile),
			controller + "tls.certificate": file(modbus.GatewayFile),
			controller + "tls.key":         file(modbus.GatewayKeyFile),
		}
	case Mapped:
		return map[string]string{controller + "address": s.ModbusAddr(), controller + "profile": string(config.ProfileMapped)}
	}
	return map[string]string{controller + "address": s.ModbusAddr()}
}

// wordOrder is how the simulator's tags of 32 bits stand in their registers.
const wordOrder = "CDAB"

// Section is what the text of a configuration needs besides, at the end of its
// last line: over tags the list of the simulator's own.
func (t Transport) Section() string {
	if t != Mapped {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "    mapped:\n      word_order: %s\n      text_order: AB\n      tags:\n", wordOrder)
	for _, x := range mapped.Tags() {
		row := tags.Row{Notation: "address", Tag: tags.Tag{
			Field: x.Name, Type: tags.Type(x.Type), Scale: x.Scale, Unit: x.Unit, Length: x.Length, Address: x.Address, Bit: x.Bit,
		}}
		b.WriteString("        - " + row.YAML() + "\n")
	}
	return b.String()
}

// OwnDialer is a dialer of the daemon for transports that its configuration
// cannot tell of, nil for others. Over OPC UA everything is encrypted; both ends
// are this process, so it accepts the certificate that it made itself.
func (t Transport) OwnDialer(s *sim.Sim, users map[string]string, dir string) func(*config.Line, func(link.Warning)) (link.Dialer, error) {
	if t != OPCUA {
		return nil
	}
	return func(l *config.Line, warn func(link.Warning)) (link.Dialer, error) {
		settings := connect.Server(l)
		settings.Warn = func(w opcua.Warning) { warn(link.Warning(w)) }
		settings.Endpoint = s.OPCUA().URL()
		settings.Folder = filepath.Join(dir, opcua.DefaultFolder)
		settings.User = opcua.User{Name: user, Password: opcua.Secret(users[user])}
		certificate := s.OPCUA().Certificate()
		fingerprint := sha256.Sum256(certificate)
		if _, err := (opcua.TrustList{Folder: settings.Folder}).Accept(certificate, hex.EncodeToString(fingerprint[:])); err != nil {
			return nil, err
		}
		return opcua.New(settings)
	}
}
