package publish

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/eclipse/paho.golang/packets"
	"github.com/eclipse/paho.golang/paho"
)

// Broker is the MQTT broker that takes the messages.
type Broker struct {
	Address  string      // host:port
	TLS      *tls.Config // nil for no TLS
	Client   string      // name of the client, to which that of the line is added
	User     string
	Password string
	Topic    string // first part of every topic
	// AnyReceiver has a message count as taken although the broker says that nobody
	// subscribed to it.
	AnyReceiver bool
	// Dial connects. Nil for a net.Dialer.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// How long the broker is waited for, and how often an idle connection is tried.
const (
	patience  = 10 * time.Second
	keepAlive = 30 // seconds
)

// largestAnswer bounds a packet of the broker: it only acknowledges.
const largestAnswer = 16 << 10

const (
	atLeastOnce  = 1    // quality of service
	refusals     = 0x80 // reason codes from here on say no
	noSubscriber = 0x10 // reason code
)

// topic is that of an event of a line. What has a meaning in a topic is written out in
// the name of a line.
func (b *Broker) topic(line, event string) string {
	return b.Topic + "/" + strings.NewReplacer("%", "%25", "/", "%2F", "+", "%2B", "#", "%23").Replace(line) + "/" + event
}

// connection is one connection to the broker.
type connection struct {
	client      *paho.Client
	anyReceiver bool
}

// connect opens a connection. Nothing of an earlier one counts: what was not taken
// then is sent again.
func (b *Broker) connect(ctx context.Context, line string) (*connection, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	dial := b.Dial
	if dial == nil {
		dial = (&net.Dialer{}).DialContext
	}
	conn, err := dial(ctx, "tcp", b.Address)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	if b.TLS != nil {
		secured := tls.Client(conn, b.TLS)
		if err := secured.HandshakeContext(ctx); err != nil {
			return nil, errors.Join(fmt.Errorf("broker %s: TLS: %w", b.Address, err), conn.Close())
		}
		conn = secured
	}
	conn = packets.NewThreadSafeConn(&wary{Conn: conn})
	c := &connection{anyReceiver: b.AnyReceiver}
	c.client = paho.NewClient(paho.ClientConfig{
		Conn: conn, PacketTimeout: patience,
		OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(paho.PublishReceived) (bool, error) { return true, nil }},
	})
	largest := uint32(largestAnswer)
	ask := &paho.Connect{
		ClientID: b.Client + "-" + line, CleanStart: true, KeepAlive: keepAlive,
		Username: b.User, UsernameFlag: b.User != "", Password: []byte(b.Password), PasswordFlag: b.Password != "",
		Properties: &paho.ConnectProperties{MaximumPacketSize: &largest},
	}
	answer, err := c.client.Connect(ctx, ask)
	switch {
	case answer != nil && answer.ReasonCode >= refusals:
		return nil, fmt.Errorf("broker %s: connection refused: %s", b.Address, reason(answer.ReasonCode))
	case err != nil:
		return nil, fmt.Errorf("broker %s: %w", b.Address, err)
	}
	return c, nil
}

// reason is a reason code of MQTT 5 in words, of those that a person can do something
// about.
func reason(code byte) string {
	words, ok := map[byte]string{
		0x84: "the broker does not speak MQTT 5", 0x85: "the client's name is not allowed", 0x86: "wrong user or password",
		0x87: "not authorized", 0x88: "the broker is unavailable", 0x89: "the broker is busy", 0x8A: "this client is banned",
		0x90: "the topic is not allowed", 0x95: "the message is too large", 0x97: "a quota of the broker is used up",
		0x99: "the payload is not of the form that the broker wants", 0x9B: "the broker does not take quality of service 1",
	}[code]
	if !ok {
		words = "no reason that is known"
	}
	return fmt.Sprintf("%s (0x%02X)", words, code)
}

var errNobody = errors.New("nobody has subscribed to the topic; subscribe, or set publish.mqtt.needs_receiver to false")

// publish sends a message and waits until the broker has taken it.
func (c *connection) publish(ctx context.Context, topic string, payload []byte) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() { // the library would wait on after the connection is lost
		select {
		case <-c.gone():
			cancel()
		case <-ctx.Done():
		}
	}()
	utf8 := byte(1)
	answer, err := c.client.Publish(ctx, &paho.Publish{
		QoS: atLeastOnce, Topic: topic, Payload: payload,
		Properties: &paho.PublishProperties{ContentType: "application/json", PayloadFormat: &utf8},
	})
	switch {
	case answer != nil && answer.ReasonCode >= refusals:
		return fmt.Errorf("the broker refused it: %s", reason(answer.ReasonCode))
	case err != nil && errors.Is(ctx.Err(), context.Canceled):
		return errors.New("the connection was lost before the broker said that it took it")
	case err != nil:
		return fmt.Errorf("the broker did not take it: %w", err)
	case answer.ReasonCode == noSubscriber && !c.anyReceiver:
		return errNobody
	}
	return nil
}

// gone is closed when the connection is over.
func (c *connection) gone() <-chan struct{} { return c.client.Done() }

func (c *connection) close() {
	_ = c.client.Disconnect(&paho.Disconnect{}) // the other side may be gone
}
