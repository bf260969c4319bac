package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// The bounds of a look at registers.
const (
	probeMostRegisters = 1000
	probeMostRepeats   = 20
)

// modbusProbe is what `probe modbus` was asked for.
type modbusProbe struct {
	unit, address, count, repeat int
	kind                         string // of registers
	order                        string
	floats, asJSON               bool
	timeout                      time.Duration
}

const (
	holdingRegisters = "holding"
	inputRegisters   = "input"
)

func (p *program) probeModbusCommand() *cobra.Command {
	var f modbusProbe
	cmd := &cobra.Command{
		Use:   "modbus HOST:PORT",
		Short: "Read registers of a device over Modbus TCP, in every word order",
		Long: `Modbus reads registers, without knowing what they hold, and shows each pair of
them as a 32-bit number in the four word orders that are in use: ABCD has the
high word first, CDAB the low word first, BADC and DCBA the bytes of each word
exchanged as well. The order and type that make most sense of what is not zero
are marked with *; that is a hint, no proof.

Addresses count from zero. Both notations of each register are printed.`,
		Example: `  lapgate probe modbus 192.0.2.10:502 --unit 1 --address 1000 --count 20
  lapgate probe modbus 192.0.2.10:502 --address 0 --count 8 --registers input --order CDAB --float`,
		Args: oneDevice("the HOST:PORT of one device"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.check(); err != nil {
				return err
			}
			return p.probeModbus(cmd.Context(), args[0], &f)
		},
	}
	fl := cmd.Flags()
	fl.IntVar(&f.unit, "unit", 1, "unit identifier, 0 to 255")
	fl.IntVar(&f.address, "address", 0, "zero-based address of the first register")
	fl.IntVar(&f.count, "count", 10, fmt.Sprintf("number of registers, 1 to %d", probeMostRegisters))
	fl.StringVar(&f.kind, "registers", holdingRegisters, "holding (function 3) or input (function 4)")
	fl.StringVar(&f.order, "order", "", "show one word order alone: "+strings.Join(inspect.OrderNames(), ", "))
	fl.BoolVar(&f.floats, "float", false, "show floating point numbers alone")
	fl.IntVar(&f.repeat, "repeat", 3, fmt.Sprintf("how often the registers are read, 1 to %d: for the round-trip time, and to see what changes", probeMostRepeats))
	addTimeout(cmd, &f.timeout, probeTimeout)
	addJSON(cmd, &f.asJSON)
	return cmd
}

// oneDevice wants one argument.
func oneDevice(what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != 1 {
			return fmt.Errorf("%s takes %s, got %d arguments", cmd.CommandPath(), what, len(args))
		}
		return nil
	}
}

func (f *modbusProbe) check() error {
	for _, c := range []struct {
		flag             string
		got, least, most int
	}{
		{"unit", f.unit, 0, 255}, {"address", f.address, 0, 65535}, {"count", f.count, 1, probeMostRegisters}, {"repeat", f.repeat, 1, probeMostRepeats},
	} {
		if c.got < c.least || c.got > c.most {
			return usageError("--%s: got %d, want %d to %d", c.flag, c.got, c.least, c.most)
		}
	}
	if f.address+f.count > 1<<16 {
		return usageError("--count: registers %d to %d, want 65535 at most", f.address, f.address+f.count-1)
	}
	if f.kind != holdingRegisters && f.kind != inputRegisters {
		return usageError("--registers: got %q, want %s or %s", f.kind, holdingRegisters, inputRegisters)
	}
	if f.order != "" && !slices.Contains(inspect.OrderNames(), f.order) {
		return usageError("--order: got %q, want one of %s", f.order, strings.Join(inspect.OrderNames(), ", "))
	}
	if f.timeout <= 0 {
		return usageError("--timeout: got %v, want more than 0", f.timeout)
	}
	return nil
}

func (p *program) probeModbus(ctx context.Context, address string, f *modbusProbe) error {
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	wanted := inspect.RegistersWanted{
		Address: address, Unit: uint8(f.unit), Input: f.kind == inputRegisters,
		First: f.address, Count: f.count, Repeat: f.repeat, Timeout: f.timeout,
	}
	seen, err := inspect.Registers(ctx, wanted)
	if err != nil {
		return probeFailed(err)
	}
	kind := wanted.Kind()
	if f.asJSON {
		return p.printJSON(modbusOut(address, f, kind, seen))
	}
	fmt.Fprintf(p.stdout, "%s unit %d: %d %s registers from address %d (0x%04X), which is %s in the other notation; round trip %s\n",
		address, f.unit, f.count, f.kind, f.address, f.address, modbus.Notation(kind, f.address), roundTrips(seen.Took))
	p.printWords(f, kind, seen)
	p.printReadings(f, kind, seen)
	if seen.Shifted {
		fmt.Fprintf(p.stdout, "pairs from address %d on make more sense than those from %d\n", f.address+1, f.address)
	}
	return nil
}

// probeFailed gives a failed look at registers its exit code.
func probeFailed(err error) error {
	var e *modbus.ProbeError
	switch {
	case errors.As(err, &e) && e.Class == link.Refused:
		return &exitError{exitDifferences, err}
	case link.ClassOf(err) == link.ConfigClass:
		return usageError("%v", err)
	}
	return &exitError{exitUnreachable, err}
}

func (p *program) printWords(f *modbusProbe, kind int, seen *inspect.RegistersRead) {
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, "\naddress\tregister\thex\tuint16\tint16\ttext\t\n")
	for i, w := range seen.Words {
		note := ""
		if seen.Changed[i] {
			note = "changes"
		}
		fmt.Fprintf(t, "%d\t%s\t%04X\t%d\t%d\t%s\t%s\n", f.address+i, modbus.Notation(kind, f.address+i), w, w, int16(w),
			inspect.Printable(inspect.TextOf([]uint16{w}, inspect.HighByteFirst)), note)
	}
	_ = t.Flush() // as every write to standard output
	for _, o := range []inspect.LetterOrder{inspect.HighByteFirst, inspect.LowByteFirst} {
		if text := inspect.LongestText(seen.Words, o); text != "" {
			fmt.Fprintf(p.stdout, "text, %s: %s\n", o, text)
		}
	}
}

// printReadings prints the pairs in the orders and types asked for.
func (p *program) printReadings(f *modbusProbe, kind int, seen *inspect.RegistersRead) {
	if len(seen.Pairs) == 0 {
		return
	}
	types := inspect.NumberTypes()
	if f.floats {
		types = []inspect.NumberType{inspect.Float32}
	}
	var columns []inspect.Choice
	for _, order := range inspect.OrderNames() {
		if f.order != "" && order != f.order {
			continue
		}
		for _, n := range types {
			columns = append(columns, inspect.Choice{Order: order, Number: n})
		}
	}
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, "\naddress\tregisters\t")
	for _, c := range columns {
		mark := ""
		if c == seen.Best {
			mark = " *"
		}
		fmt.Fprintf(t, "%s %s%s\t", c.Order, c.Number, mark)
	}
	fmt.Fprintln(t)
	for _, r := range seen.Pairs {
		at := f.address + r.Offset
		fmt.Fprintf(t, "%d\t%s,%s\t", at, modbus.Notation(kind, at), modbus.Notation(kind, at+1))
		for _, c := range columns {
			fmt.Fprintf(t, "%s\t", r.Text(c))
		}
		fmt.Fprintln(t)
	}
	_ = t.Flush() // as every write to standard output
	if seen.Best == (inspect.Choice{}) {
		fmt.Fprintln(p.stdout, "no word order makes more sense than the others")
	} else {
		fmt.Fprintf(p.stdout, "* most plausible: %s in word order %s\n", seen.Best.Number, seen.Best.Order)
	}
}

// pairOut is one pair of registers in JSON.
type pairOut struct {
	Address  int                          `json:"address"`
	Readings map[string]map[string]string `json:"readings"` // by word order and type
}

func modbusOut(address string, f *modbusProbe, kind int, seen *inspect.RegistersRead) any {
	out := struct {
		Device    string    `json:"device"`
		Unit      int       `json:"unit"`
		Registers string    `json:"registers"`
		Address   int       `json:"address"`
		Number    string    `json:"number"` // in the other notation
		Words     []uint16  `json:"words"`
		Pairs     []pairOut `json:"pairs"`
		Order     string    `json:"plausible_order,omitempty"`
		Type      string    `json:"plausible_type,omitempty"`
		RoundTrip []float64 `json:"round_trip_s"`
	}{address, f.unit, f.kind, f.address, modbus.Notation(kind, f.address), seen.Words, []pairOut{}, seen.Best.Order, string(seen.Best.Number), nil}
	for _, r := range seen.Pairs {
		pair := pairOut{f.address + r.Offset, map[string]map[string]string{}}
		for _, order := range inspect.OrderNames() {
			pair.Readings[order] = map[string]string{}
			for _, n := range inspect.NumberTypes() {
				pair.Readings[order][string(n)] = r.Text(inspect.Choice{Order: order, Number: n})
			}
		}
		out.Pairs = append(out.Pairs, pair)
	}
	for _, d := range seen.Took {
		out.RoundTrip = append(out.RoundTrip, d.Seconds())
	}
	return out
}
