package inspect

import (
	"fmt"
	"strconv"
	"strings"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// section writes a section of a controller, as it stands below a line.
type section struct{ strings.Builder }

func (s *section) put(level int, format string, args ...any) {
	fmt.Fprintf(s, "%s"+format+"\n", append([]any{strings.Repeat("  ", level+2)}, args...)...)
}

// head writes what every protocol has.
func (s *section) head(c *config.Controller) {
	s.put(0, "controller:")
	s.put(1, "protocol: %s", c.Protocol)
	s.put(1, "address: %s", strconv.Quote(c.Address))
	if c.Plain {
		s.put(1, "plain: true # neither encryption nor login: only where nobody else reaches it")
	}
}

// lines is the section of a controller that serves registers.
func (s *registerSearch) lines(f *foundRegisters, blocks []FoundBlock, bases map[handshake.ID]int) string {
	var out section
	c := s.Controller
	out.head(&c)
	out.put(1, "unit: %d", f.unit)
	if c.Protocol == config.ModbusRTU {
		out.put(1, "serial: {baud: %d, parity: %s, stop_bits: %d}", c.Serial.Baud, c.Serial.Parity, c.Serial.StopBits)
		out.put(1, "times: {poll: 300 ms}")
	}
	var own []string
	if f.kind == modbus.ReadInput {
		own = append(own, "registers: "+config.InputRegisters)
	}
	if f.most < link.MostRead {
		own = append(own, fmt.Sprintf("read_limit: %d", f.most))
	}
	if len(own) > 0 {
		out.put(1, "modbus: {%s}", strings.Join(own, ", "))
	}
	out.put(1, "bases:")
	for i, id := range handshake.IDs() { // the order of blocks
		out.put(2, "%s: %d%s", baseKey(id), bases[id], doubt(&blocks[i]))
	}
	return out.String()
}

// doubt is a comment on a block that nothing proves to stand there.
func doubt(b *FoundBlock) string {
	if b.State == BlockDecodes {
		return ""
	}
	return " # " + b.State + ", so not proved"
}
