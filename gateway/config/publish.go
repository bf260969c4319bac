package config

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"

	"lapgate/gateway/plainfile"
)

// Publish is where the events of the lines are sent onward.
type Publish struct {
	MQTT MQTT `cfg:"mqtt" doc:"rolls, holds and conditions by MQTT 5, at least once and in order; configs/mqtt.md has topics and payload"`
}

// MQTT is the broker that takes the events. Text that is empty is not configured.
type MQTT struct {
	Broker        string `cfg:"broker" default:"" doc:"where to: mqtts://host:8883, or mqtt://host:1883 without TLS, which needs plain: true but on loopback; empty for nowhere"`
	Plain         bool   `cfg:"plain" default:"false" doc:"true allows a broker without TLS elsewhere than on this machine: everybody on the network can read and change what is sent"`
	Authorities   string `cfg:"authorities" default:"" path:"true" doc:"file of the certificates that sign the broker's, in PEM form; empty for those that the operating system trusts"`
	ServerName    string `cfg:"server_name" default:"" doc:"name in the broker's certificate; empty for the host of broker"`
	Certificate   string `cfg:"certificate" default:"" path:"true" doc:"file of a certificate to log in with, in PEM form; empty for none"`
	Key           string `cfg:"key" default:"" path:"true" doc:"file of its key, not encrypted, which only its owner may touch"`
	User          string `cfg:"user" default:"" doc:"user name to log in with; empty for none"`
	Password      string `cfg:"password" default:"" secret:"true" path:"true" doc:"where its password is read at the start: file:PATH, a file that only its owner may touch, or env:NAME; never the password itself"`
	Client        string `cfg:"client" default:"lapgate" doc:"name of the client at the broker, to which a dash and the name of the line are added; two daemons at one broker need two"`
	Topic         string `cfg:"topic" default:"lapgate" doc:"first part of every topic, before the name of the line and the event"`
	NeedsReceiver bool   `cfg:"needs_receiver" default:"true" doc:"whether a message of which the broker says that nobody subscribed to it is sent again until somebody does"`
}

// Off reports whether nothing is sent onward.
func (m *MQTT) Off() bool { return m.Broker == "" }

const (
	schemeMQTT  = "mqtt"
	schemeMQTTS = "mqtts"
)

// Address is the host and port of the broker, and whether TLS is wanted. It is for a
// broker that was checked.
func (m *MQTT) Address() (address string, secured bool) {
	u, err := url.Parse(m.Broker)
	if err != nil {
		return "", true
	}
	return u.Host, u.Scheme == schemeMQTTS
}

// BrokerLogin is what is shown to a broker, and what is believed of it.
type BrokerLogin struct {
	TLS      *tls.Config // nil for no TLS
	Password string
}

// Login reads the files and the password of the broker. lookup finds a variable of the
// environment. The error names every problem, and never holds a secret.
func (m *MQTT) Login(lookup func(string) (string, bool)) (out BrokerLogin, err error) {
	var bad []error
	if m.Password != "" {
		if out.Password, err = ReadSecret(m.Password, lookup); err != nil {
			bad = append(bad, fmt.Errorf("publish.mqtt.password: %w", err))
		}
	}
	address, secured := m.Address()
	if !secured {
		return out, errors.Join(bad...)
	}
	host, _, _ := net.SplitHostPort(address)
	if m.ServerName != "" {
		host = m.ServerName
	}
	out.TLS, err = clientTLS("publish.mqtt", host, m.Authorities, m.Certificate, m.Key)
	return out, errors.Join(append(bad, err)...)
}

// clientTLS is what is believed of the server of a section, and shown to it: those who
// sign its certificate, and a certificate of our own; empty for those of the system, and
// for none. An empty host is filled in by whoever dials.
func clientTLS(section, host, authorities, certificate, key string) (*tls.Config, error) {
	out := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	var bad []error
	var err error
	if authorities != "" {
		if out.RootCAs, err = readAuthorities(authorities); err != nil {
			bad = append(bad, fmt.Errorf("%s.authorities: %w", section, err))
		}
	}
	if certificate != "" {
		pair, err := readPair(certificate, key)
		if err != nil {
			bad = append(bad, fmt.Errorf("%s: %w", section, err))
		}
		out.Certificates = []tls.Certificate{pair}
	}
	return out, errors.Join(bad...)
}

// readAuthorities reads certificates that are trusted to sign others.
func readAuthorities(path string) (*x509.CertPool, error) {
	const openToWrite = 0o022
	data, err := readGuarded(path, openToWrite)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, plainfile.Reason(err))
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form; have it exported so", path)
	}
	return pool, nil
}

// readPair reads a certificate with its chain, and its key.
func readPair(certificate, key string) (pair tls.Certificate, err error) {
	chain, err := readGuarded(certificate, 0)
	if err != nil {
		return pair, fmt.Errorf("certificate: %s: %w", certificate, plainfile.Reason(err))
	}
	secret, err := readPrivate(key)
	if err != nil {
		return pair, fmt.Errorf("key: %w", err)
	}
	if pair, err = tls.X509KeyPair(chain, secret); err != nil {
		return pair, errors.New("key: it does not go with certificate; name the key that belongs to it, in PEM form and unencrypted")
	}
	return pair, nil
}

// checkMQTT checks that events are sent where nobody reads along, unless that is said.
func (d *decoder) checkMQTT(m *MQTT) {
	const at = "publish.mqtt."
	const broker, password, key, topic = at + "broker", at + "password", at + "key", at + "topic"
	if d.good(password) && m.Password != "" && !secretSource(m.Password) {
		d.problem(d.where(password), password, "not a place to read a password from", hidden, "file:PATH or env:NAME", "put the password into a file that only its owner may read, name it as file:PATH, and have the password changed if it stood here")
	}
	if d.good(password, at+"user") && m.Password != "" && m.User == "" {
		d.problem(d.where(password), password, "password without a user", "no user", "the user of the password", "add user, or remove password")
	}
	if d.good(at+"certificate", key) && (m.Certificate == "") != (m.Key == "") {
		d.problem(d.where(key), key, "certificate and key belong together", quoted(m.Key), "both, or neither", "name the file of the other one too")
	}
	if d.good(topic) && (strings.ContainsAny(m.Topic, "+#\x00") || strings.HasPrefix(m.Topic, "$")) {
		d.problem(d.where(topic), topic, "not a topic", quoted(m.Topic), "a text without + and #, and no $ in front", "write it as in mill/wrapping")
	}
	if !d.good(broker) || m.Off() {
		return
	}
	const want, remedy = "mqtts://host:port, as in mqtts://192.0.2.20:8883", "copy host and port of the broker; user and password have keys of their own"
	if strings.Contains(m.Broker, "@") { // what stands before it may be a password
		d.problem(d.where(broker), broker, "login in the address", "an address with an @", want, remedy)
		return
	}
	u, err := url.Parse(m.Broker)
	if err != nil || u.Scheme != schemeMQTT && u.Scheme != schemeMQTTS || u.Path != "" || u.RawQuery != "" || u.Fragment != "" || u.Opaque != "" {
		d.problem(d.where(broker), broker, "not the address of a broker", quoted(m.Broker), want, remedy)
		return
	}
	host, ok := d.hostPort(broker, u.Host, lowestPort(1))
	if ok && u.Scheme == schemeMQTT && !m.Plain && !Loopback(host) {
		d.problem(d.where(broker), broker, "broker without TLS not allowed", quoted(m.Broker), "mqtts://, or plain: true", "use TLS; or write plain: true when nobody else reaches the network")
	}
	if ok && u.Scheme == schemeMQTT && d.good(at+"authorities") && m.Authorities+m.Certificate+m.ServerName != "" {
		d.problem(d.where(broker), broker, "certificates without TLS", quoted(m.Broker), "mqtts://", "use TLS, or remove authorities, certificate and server_name")
	}
}
