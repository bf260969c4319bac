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
	Order   string        // the one word order that people want to see, empty for all
	Floats  bool          // people want to see floating-point numbers alone
}

// The kinds of registers, as people name them.
const (
	HoldingRegisters = "holding"
	InputRegisters   = "input"
)

// kind is the first figure of the other notation of these registers.
func (w *RegistersWanted) kind() int {
	if w.Input {
		return modbus.InputRegister
	}
	return modbus.HoldingRegister
}

// registersRead is what stood in the registers of a device that nobody has
// configured yet.
type registersRead struct {
	words   []uint16 // of the first turn
	changed []bool   // whether a later turn read another value there
	took    RoundTrips
	pairs   []Pair
	best    Choice // most plausible, the zero value for none
	shifted bool   // pairs from the second register on make more sense
}

// Registers reads registers of a device over Modbus TCP and writes nothing. The
// errors are *link.Error and *modbus.ProbeError.
func Registers(ctx context.Context, w RegistersWanted) (*RegistersReport, error) {
	seen, err := w.read(ctx)
	if err != nil {
		return nil, err
	}
	return w.report(seen), nil
}

func (w *RegistersWanted) read(ctx context.Context) (*registersRead, error) {
	probe, err := modbus.OpenProbe(ctx, w.Address, w.Unit, w.Timeout)
	if err != nil {
		return nil, err
	}
	defer func() { _ = probe.Close() }() // only read from
	reads := modbus.ReadHolding
	if w.Input {
		reads = modbus.ReadInput
	}
	out := &registersRead{changed: make([]bool, w.Count)}
	for turn := range w.Repeat {
		words := make([]uint16, 0, w.Count)
		for from := 0; from < w.Count; from += link.MostRead {
			part, took, err := probe.Read(ctx, reads, w.First+from, min(link.MostRead, w.Count-from))
			if err != nil {
				return nil, err
			}
			words, out.took = append(words, part...), append(out.took, took)
		}
		if turn == 0 {
			out.words = words
		}
		for i := range words {
			out.changed[i] = out.changed[i] || words[i] != out.words[i]
		}
	}
	out.pairs = Pairs(out.words)
	var average float64
	out.best, average = MostPlausible(out.pairs)
	_, shifted := MostPlausible(Pairs(out.words[1:]))
	out.shifted = shifted > lead*average
	return out, nil
}
