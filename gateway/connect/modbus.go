package connect

import (
	"fmt"
	"sync"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// buses are the serial lines of the process: all units on one device take
// turns, whoever asks.
type buses struct {
	mu   sync.Mutex
	open map[modbus.Serial]*modbus.Bus
}

// of is the bus of a line; the same one for the same settings.
func (b *buses) of(s modbus.Serial) *modbus.Bus {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.open == nil {
		b.open = map[modbus.Serial]*modbus.Bus{}
	}
	if b.open[s] == nil {
		b.open[s] = modbus.NewBus(s)
	}
	return b.open[s]
}

func (d *Dialers) modbus(l *config.Line, warn func(link.Warning)) (*modbus.Dialer, error) {
	c := &l.Controller
	layout, err := Layout(c.Bases)
	if err != nil {
		return nil, err
	}
	conf := modbus.Config{
		Unit: uint8(c.Unit), Layout: layout, Timeout: c.Times.RequestTimeout,
		Limits: link.Limits{Read: c.Modbus.ReadLimit, Write: link.MostWrite},
		Warn:   warn,
	}
	if c.Modbus.Registers == config.InputRegisters {
		conf.Reads = modbus.ReadInput
	}
	if c.Modbus.Writes == config.SingleWrites {
		conf.Writes = modbus.WriteSingle
	}
	switch c.Protocol {
	case config.ModbusTCP:
		return modbus.NewTCP(c.Address, conf)
	case config.ModbusTLS:
		m, err := c.TLS.Read()
		if err != nil {
			return nil, err
		}
		return modbus.NewTLS(c.Address, modbus.Security{
			Authorities: m.Authorities, Certificate: m.Certificate, Key: m.Key,
			ServerName: c.TLS.ServerName, Notice: link.ExpiryNotice,
		}, conf)
	case config.ModbusRTU:
		return modbus.NewRTU(d.buses.of(modbus.Serial{
			Device: c.Address, Baud: c.Serial.Baud, Parity: c.Serial.Parity, StopBits: c.Serial.StopBits, Slowest: c.Serial.SlowestReply,
		}), conf)
	}
	return nil, fmt.Errorf("controller.protocol %q is none of Modbus", c.Protocol)
}

// Layout is where the blocks of a line stand among its registers.
func Layout(b config.Bases) (link.Layout, error) {
	return link.NewLayout(map[handshake.ID]int{
		handshake.REQ: int(b.Request), handshake.OUT: int(b.Outcomes), handshake.HEARTBEAT: int(b.Heartbeat),
		handshake.HELLO: int(b.Hello), handshake.PAYLOAD: int(b.Payload), handshake.COMMIT: int(b.Commit), handshake.ACK: int(b.Ack),
		handshake.LIMITS: int(b.Limits),
	})
}
