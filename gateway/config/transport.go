package config

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/plainfile"
)

// ModbusServer is how the registers of a controller are asked for.
type ModbusServer struct {
	Registers string `cfg:"registers" one_of:"holding,input" default:"holding" doc:"registers that REQ and OUT are read from: holding with function 3, input with function 4"`
	Writes    string `cfg:"writes" one_of:"multiple,single" default:"multiple" doc:"multiple writes a block in one request, with function 16; single one register after the other, with function 6, only for a controller that lacks function 16: as safe by the checksum of each block, and much slower"`
	ReadLimit int    `cfg:"read_limit" default:"125" range:"1..125" doc:"registers in one read at most"`
	Gap       int    `cfg:"gap" default:"0" range:"0..125" doc:"of a controller with tags, registers between two tags that are read along rather than asked for apart; 0 where registers between tags do not exist; blocks are never joined"`
}

// The words of ModbusServer.
const (
	InputRegisters = "input"
	SingleWrites   = "single"
)

// TLS is what Modbus/TCP Security needs. Files are in PEM form.
type TLS struct {
	Authorities string `cfg:"authorities" default:"" path:"true" doc:"file of the certificates that sign the controller's, or of its own; nothing else is trusted; modbus-tls needs it"`
	Certificate string `cfg:"certificate" default:"" path:"true" doc:"file of the gateway's certificate, for client use, with the chain behind it; modbus-tls needs it"`
	Key         string `cfg:"key" default:"" path:"true" doc:"file of its key, not encrypted, which only its owner may touch; modbus-tls needs it"`
	ServerName  string `cfg:"server_name" default:"" doc:"name in the controller's certificate; empty for the host of the address"`
}

// Serial is the line of modbus-rtu.
type Serial struct {
	Baud         int           `cfg:"baud" default:"19200" range:"1200..4000000" doc:"bits per second"`
	Parity       string        `cfg:"parity" one_of:"none,even,odd" default:"even" doc:"parity of a character"`
	StopBits     int           `cfg:"stop_bits" default:"1" range:"1..2" doc:"stop bits of a character; without parity 2 are usual"`
	SlowestReply time.Duration `cfg:"slowest_reply" unit:"time" default:"1 s" range:"100 ms..30 s" doc:"longest time after which a device may still answer; the line rests so long after an answer that did not come; at least times.request_timeout"`
}

// passage is the time that n characters take on the line.
func (s *Serial) passage(n int) time.Duration {
	bits := 1 + 8 + s.StopBits
	if s.Parity != "none" {
		bits++
	}
	return time.Duration(n*bits) * time.Second / time.Duration(s.Baud)
}

// Material is what the files of TLS hold, in PEM form.
type Material struct{ Authorities, Certificate, Key []byte }

// fileError is what is wrong with one file of TLS.
type fileError struct {
	key, text, got, want, remedy string
}

func (e *fileError) Error() string {
	return fmt.Sprintf("controller.tls.%s: %s (got %s, want %s); %s", e.key, e.text, e.got, e.want, e.remedy)
}

// Read reads the files, and checks them and their permissions. The error names
// every problem at once.
func (t *TLS) Read() (Material, error) {
	m, _, bad := t.read()
	return m, errors.Join(bad...)
}

// Certificates are those of the gateway and of the authorities, as the files have them
// now; none where they cannot be read.
func (t *TLS) Certificates() (own, authorities []*x509.Certificate) {
	_, certificates, _ := t.read()
	return certificates["certificate"], certificates["authorities"]
}

// read returns the certificates too, by the key of their file.
func (t *TLS) read() (m Material, certificates map[string][]*x509.Certificate, bad []error) {
	certificates = map[string][]*x509.Certificate{}
	for _, f := range [...]struct {
		key, path string
		into      *[]byte
		forbidden fs.FileMode
		mode      string
	}{
		{"authorities", t.Authorities, &m.Authorities, 0o022, "a file that only its owner may write: chmod 644 or stricter"},
		{"certificate", t.Certificate, &m.Certificate, 0o022, "a file that only its owner may write: chmod 644 or stricter"},
		{"key", t.Key, &m.Key, ownerOnly, "a file that only its owner may touch: chmod 600 or stricter"},
	} {
		if f.path == "" {
			bad = append(bad, &fileError{f.key, "required for modbus-tls", "nothing", "the path of a file in PEM form", "add " + f.key + ": and its file"})
			continue
		}
		data, err := readGuarded(f.path, f.forbidden)
		var loose *looseError
		switch {
		case errors.As(err, &loose):
			remedy := "take the permissions away"
			if f.key == "key" {
				remedy += ", and have a new key made if somebody may have read it"
			}
			bad = append(bad, &fileError{f.key, "file open to others", fmt.Sprintf("%s with mode %04o", f.path, loose.mode), f.mode, remedy})
			continue
		case err != nil:
			bad = append(bad, &fileError{f.key, "cannot read the file", f.path + ": " + plainfile.Reason(err).Error(), "a readable file", "check the path, and let the user of the gateway read it"})
			continue
		}
		*f.into = data
		if f.key == "key" {
			continue
		}
		if certificates[f.key], err = parseAll(data); err != nil {
			bad = append(bad, &fileError{f.key, "no certificate in the file", f.path + ": " + err.Error(), "certificates in PEM form", "have it exported in PEM form"})
			*f.into = nil
		}
	}
	if m.Certificate != nil && m.Key != nil {
		if _, err := tls.X509KeyPair(m.Certificate, m.Key); err != nil {
			// The cause is of the library and names no part of the key.
			bad = append(bad, &fileError{"key", "key does not go with the certificate", strings.TrimPrefix(err.Error(), "tls: "), "the unencrypted key of " + t.Certificate, "name the key that belongs to the certificate"})
		}
	}
	return m, certificates, bad
}

// parseAll reads every certificate of a file in PEM form.
func parseAll(data []byte) (out []*x509.Certificate, err error) {
	for {
		var b *pem.Block
		if b, data = pem.Decode(data); b == nil {
			break
		}
		if b.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(b.Bytes)
		if err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	if len(out) == 0 {
		return nil, errors.New("none in PEM form")
	}
	return out, nil
}

// checkModbus checks a controller that is spoken to over Modbus.
func (d *decoder) checkModbus(c *Controller, at string) {
	key := func(k string) string { return join(at, k) }
	if !d.good(key("protocol")) {
		return
	}
	if d.good(key("address")) {
		if c.Protocol == ModbusRTU {
			d.checkDevice(key("address"), c.Address)
		} else {
			d.hostPort(key("address"), c.Address, lowestPort(1))
		}
	}
	if d.good(key("plain")) && c.Protocol != ModbusTLS && !c.Plain {
		got := "false"
		if _, given := d.at[key("plain")]; !given {
			got = "nothing"
		}
		d.problem(d.where(key("plain")), key("plain"), "plain Modbus not allowed", got, "true for "+string(c.Protocol), "write plain: true when nobody else reaches the network; Modbus has no encryption and no login")
	}
	if c.Protocol == ModbusTLS {
		d.checkTLS(&c.TLS, key("tls"), time.Now())
	} else if c.TLS != (TLS{}) && d.good(key("tls")) {
		d.warning(d.where(key("tls")), key("tls"), "tls without effect", "protocol "+string(c.Protocol), "protocol "+string(ModbusTLS), "change the protocol, or remove tls")
	}
	if c.Protocol == ModbusRTU {
		d.checkSerial(c, at)
	}
	writes, timeout, scan := key("modbus.writes"), key("times.request_timeout"), key("program.scan")
	if slow := handshake.PayloadWords * c.Program.Scan; c.Modbus.Writes == SingleWrites && d.good(writes, timeout, scan) && c.Times.RequestTimeout < slow {
		d.warning(d.given(writes, timeout, scan), writes, "a payload written register by register may come too late", c.Times.RequestTimeout.String(),
			"times.request_timeout of at least "+slow.String()+" where the controller answers once in a scan", "raise times.request_timeout, and times.verdict and program.commit_ttl with it, or see with probe how fast it answers")
	}
}

// checkDevice tells a serial device from an address.
func (d *decoder) checkDevice(key, device string) {
	if !strings.HasPrefix(device, "/") && !strings.HasPrefix(strings.ToUpper(device), "COM") {
		d.problem(d.where(key), key, "not a serial device", quoted(device), "the path of a device, as in /dev/ttyUSB0", "write the whole path of the device")
	}
}

// checkTLS checks the files, and warns of certificates that end soon. One that
// has ended is not refused here: the other lines must run, and this one says so
// each time it tries to connect.
func (d *decoder) checkTLS(t *TLS, at string, now time.Time) {
	if !d.good(at) {
		return
	}
	_, certificates, bad := t.read()
	for _, err := range bad {
		var e *fileError
		if errors.As(err, &e) {
			key := join(at, e.key)
			d.problem(d.where(key), key, e.text, e.got, e.want, e.remedy)
		}
	}
	for _, name := range [...]string{"authorities", "certificate"} {
		for _, c := range certificates[name] {
			key := join(at, name)
			end := c.NotAfter.UTC().Format(time.DateOnly)
			switch {
			case now.Before(c.NotBefore):
				d.warning(d.where(key), key, "certificate not yet valid", "from "+c.NotBefore.UTC().Format(time.DateOnly), "one that is valid now", "check the clock of this machine")
			case now.After(c.NotAfter):
				d.warning(d.where(key), key, "certificate has ended", end, "one that is valid now", "have it renewed; until then no connection comes about with it")
			case c.NotAfter.Sub(now) < link.ExpiryNotice:
				d.warning(d.where(key), key, "certificate ends soon", end, "more than "+strconv.Itoa(int(link.ExpiryNotice/(24*time.Hour)))+" days left", "have it renewed in time")
			}
		}
	}
	if name := join(at, "server_name"); d.good(name) && strings.ContainsAny(t.ServerName, " /\\@") {
		d.problem(d.where(name), name, "not a host", quoted(t.ServerName), "a name or an IP address", "copy it from the controller's certificate, without port")
	}
}

// The lengths of frames of Modbus RTU around their registers, in characters.
const (
	rtuReadRequest   = 8
	rtuReadAnswer    = 5
	rtuWriteRequest  = 9
	rtuWriteAnswer   = 8
	rtuSingle        = 8 + 8
	bytesPerRegister = 2
)

// checkSerial checks the unit, and that what is asked for passes in time.
func (d *decoder) checkSerial(c *Controller, at string) {
	key := func(k string) string { return join(at, k) }
	if unit := key("unit"); d.good(unit) && (c.Unit < 1 || c.Unit > 247) {
		d.problem(d.where(unit), unit, "not a unit of a serial line", strconv.Itoa(c.Unit), "1..247", "write the number that is set at the device")
	}
	s, timeout := key("serial"), key("times.request_timeout")
	if slow := key("serial.slowest_reply"); d.good(slow, timeout) && c.Serial.SlowestReply < c.Times.RequestTimeout {
		d.problem(d.given(slow, timeout), slow, "a late answer could be taken for the next one", c.Serial.SlowestReply.String(), "at least times.request_timeout, "+c.Times.RequestTimeout.String(), "raise it, or lower times.request_timeout")
	}
	if !d.good(s, timeout, key("modbus")) {
		return
	}
	read := c.Serial.passage(rtuReadRequest + rtuReadAnswer + bytesPerRegister*handshake.ReqWords)
	write := c.Serial.passage(rtuWriteRequest + bytesPerRegister*handshake.PayloadWords + rtuWriteAnswer)
	if c.Modbus.Writes == SingleWrites {
		write = c.Serial.passage(rtuSingle * handshake.PayloadWords)
	}
	if longest := max(read, write); longest >= c.Times.RequestTimeout {
		d.problem(d.given(key("serial.baud"), timeout), key("serial.baud"), "line too slow for the longest request", longest.Round(time.Millisecond).String()+" on the line alone", "less than times.request_timeout, "+c.Times.RequestTimeout.String(), "raise baud, or times.request_timeout")
	}
	if poll := key("times.poll"); d.good(poll) && read >= c.Times.Poll {
		d.warning(d.given(poll, key("serial.baud")), poll, "polls without a rest between", c.Times.Poll.String(), "more than the "+read.Round(time.Millisecond).String()+" that one takes on the line", "raise times.poll, or serial.baud")
	}
}

// oneLine reports two lines that would open one serial device in two ways.
func (d *decoder) oneLine(doc *document) {
	for i := range doc.Lines {
		c := &doc.Lines[i].Controller
		key := "lines." + strconv.Itoa(i) + ".controller.serial"
		if c.Protocol != ModbusRTU || !d.good(key) {
			continue
		}
		for j := range i {
			o := &doc.Lines[j].Controller
			if other := "lines." + strconv.Itoa(j) + ".controller.serial"; o.Protocol == ModbusRTU && o.Address == c.Address && o.Serial != c.Serial && d.good(other) {
				d.problem(d.given(key, other), key, "one device with two settings", quoted(c.Address)+" otherwise than in line "+strconv.Itoa(j), "the same serial section for every line on "+c.Address, "make them equal")
				break
			}
		}
	}
}
