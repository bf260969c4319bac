package inspect

import (
	"context"
	"time"

	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// RegistersWanted says which registers of a device are read, and how often.
type RegistersWanted struct {
	Address string // host:port
	Unit    uint8
	Input   bool // input registers, function 4, in place of holding registers
	First   int  // zero-based
	Count   int
	Repeat  int           // for the round-trip time, and to see what changes
	Timeout time.Duration // longest wait for one answer
}

// Kind is the first figure of the other notation of these registers.
func (w *RegistersWanted) Kind() int {
	if w.Input {
		return modbus.InputRegister
	}
	return modbus.HoldingRegister
}

// RegistersRead is what stood in the registers of a device that nobody has
// configured yet.
type RegistersRead struct {
	Words   []uint16 // of the first turn
	Changed []bool   // whether a later turn read another value there
	Took    []time.Duration
	Pairs   []Pair
	Best    Choice // most plausible, the zero value for none
	Shifted bool   // pairs from the second register on make more sense
}

// Registers reads registers of a device over Modbus TCP and writes nothing. The
// errors are *link.Error and *modbus.ProbeError.
func Registers(ctx context.Context, w RegistersWanted) (*RegistersRead, error) {
	probe, err := modbus.OpenProbe(ctx, w.Address, w.Unit, w.Timeout)
	if err != nil {
		return nil, err
	}
	defer func() { _ = probe.Close() }() // only read from
	reads := modbus.ReadHolding
	if w.Input {
		reads = modbus.ReadInput
	}
	out := &RegistersRead{Changed: make([]bool, w.Count)}
	for turn := range w.Repeat {
		words := make([]uint16, 0, w.Count)
		for from := 0; from < w.Count; from += link.MostRead {
			part, took, err := probe.Read(ctx, reads, w.First+from, min(link.MostRead, w.Count-from))
			if err != nil {
				return nil, err
			}
			words, out.Took = append(words, part...), append(out.Took, took)
		}
		if turn == 0 {
			out.Words = words
		}
		for i := range words {
			out.Changed[i] = out.Changed[i] || words[i] != out.Words[i]
		}
	}
	out.Pairs = Pairs(out.Words)
	var average float64
	out.Best, average = MostPlausible(out.Pairs)
	_, shifted := MostPlausible(Pairs(out.Words[1:]))
	out.Shifted = shifted > lead*average
	return out, nil
}
