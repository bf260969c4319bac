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

	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// The kinds of register, as the other notation numbers them.
const (
	inputKind   = 3
	holdingKind = 4
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
	fl.StringVar(&f.order, "order", "", "show one word order alone: "+strings.Join(orderNames(), ", "))
	fl.BoolVar(&f.floats, "float", false, "show floating point numbers alone")
	fl.IntVar(&f.repeat, "repeat", 3, fmt.Sprintf("how often the registers are read, 1 to %d: for the round-trip time, and to see what changes", probeMostRepeats))
	fl.DurationVar(&f.timeout, "timeout", probeTimeout, "longest wait for one answer")
	fl.BoolVar(&f.asJSON, "json", false, "print JSON")
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
	if f.order != "" && !slices.Contains(orderNames(), f.order) {
		return usageError("--order: got %q, want one of %s", f.order, strings.Join(orderNames(), ", "))
	}
	if f.timeout <= 0 {
		return usageError("--timeout: got %v, want more than 0", f.timeout)
	}
	return nil
}

func (p *program) probeModbus(ctx context.Context, address string, f *modbusProbe) error {
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	probe, err := modbus.OpenProbe(ctx, address, uint8(f.unit), f.timeout)
	if err != nil {
		if link.ClassOf(err) == link.ConfigClass {
			return usageError("%v", err)
		}
		return &exitError{exitUnreachable, err}
	}
	defer func() { _ = probe.Close() }() // only read from
	reads, kind := modbus.ReadHolding, holdingKind
	if f.kind == inputRegisters {
		reads, kind = modbus.ReadInput, inputKind
	}
	var first []uint16
	var took []time.Duration
	changed := map[int]bool{}
	for turn := range f.repeat {
		var words []uint16
		for from := 0; from < f.count; from += link.MostRead {
			part, d, err := probe.Read(ctx, reads, f.address+from, min(link.MostRead, f.count-from))
			if err != nil {
				return probeFailed(err)
			}
			words, took = append(words, part...), append(took, d)
		}
		if turn == 0 {
			first = words
		}
		for i, w := range words {
			changed[i] = changed[i] || w != first[i]
		}
	}
	rows := readings(first)
	best, average := plausible(rows)
	if f.asJSON {
		return p.printJSON(modbusOut(address, f, kind, first, rows, best, took))
	}
	fmt.Fprintf(p.stdout, "%s unit %d: %d %s registers from address %d (0x%04X), which is %s in the other notation; round trip %s\n",
		address, f.unit, f.count, f.kind, f.address, f.address, modbus.Notation(kind, f.address), roundTrips(took))
	p.printWords(f, kind, first, changed)
	p.printReadings(f, kind, rows, best)
	if _, shifted := plausible(readings(first[1:])); shifted > lead*average {
		fmt.Fprintf(p.stdout, "pairs from address %d on make more sense than those from %d\n", f.address+1, f.address)
	}
	return nil
}

// probeFailed gives a failed read its exit code.
func probeFailed(err error) error {
	var e *modbus.ProbeError
	if errors.As(err, &e) && e.Class == link.Refused {
		return &exitError{exitDifferences, err}
	}
	return &exitError{exitUnreachable, err}
}

func (p *program) printWords(f *modbusProbe, kind int, words []uint16, changed map[int]bool) {
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, "\naddress\tregister\thex\tuint16\tint16\ttext\t\n")
	for i, w := range words {
		note := ""
		if changed[i] {
			note = "changes"
		}
		fmt.Fprintf(t, "%d\t%s\t%04X\t%d\t%d\t%s\t%s\n", f.address+i, modbus.Notation(kind, f.address+i), w, w, int16(w),
			printable(textOf([]uint16{w}, bigEndian)), note)
	}
	_ = t.Flush() // as every write to standard output
	for _, o := range []byteOrder{bigEndian, littleEndian} {
		if text := longText(words, o); text != "" {
			fmt.Fprintf(p.stdout, "text, %s: %s\n", o, text)
		}
	}
}

// printReadings prints the pairs in the orders and types asked for.
func (p *program) printReadings(f *modbusProbe, kind int, rows []reading, best choice) {
	if len(rows) == 0 {
		return
	}
	types := numberTypes()
	if f.floats {
		types = []numberType{float32Type}
	}
	var columns []choice
	for _, o := range wordOrders() {
		if f.order != "" && o.name != f.order {
			continue
		}
		for _, n := range types {
			columns = append(columns, choice{o.name, n})
		}
	}
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, "\naddress\tregisters\t")
	for _, c := range columns {
		mark := ""
		if c == best {
			mark = " *"
		}
		fmt.Fprintf(t, "%s %s%s\t", c.order, c.number, mark)
	}
	fmt.Fprintln(t)
	for _, r := range rows {
		at := f.address + r.offset
		fmt.Fprintf(t, "%d\t%s,%s\t", at, modbus.Notation(kind, at), modbus.Notation(kind, at+1))
		for _, c := range columns {
			fmt.Fprintf(t, "%s\t", r.text(c))
		}
		fmt.Fprintln(t)
	}
	_ = t.Flush() // as every write to standard output
	if best == (choice{}) {
		fmt.Fprintln(p.stdout, "no word order makes more sense than the others")
	} else {
		fmt.Fprintf(p.stdout, "* most plausible: %s in word order %s\n", best.number, best.order)
	}
}

// pairOut is one pair of registers in JSON.
type pairOut struct {
	Address  int                          `json:"address"`
	Readings map[string]map[string]string `json:"readings"` // by word order and type
}

func modbusOut(address string, f *modbusProbe, kind int, words []uint16, rows []reading, best choice, took []time.Duration) any {
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
		RoundTrip []float64 `json:"round_trip_ms"`
	}{address, f.unit, f.kind, f.address, modbus.Notation(kind, f.address), words, []pairOut{}, best.order, string(best.number), nil}
	for _, r := range rows {
		pair := pairOut{f.address + r.offset, map[string]map[string]string{}}
		for _, o := range wordOrders() {
			pair.Readings[o.name] = map[string]string{}
			for _, n := range numberTypes() {
				pair.Readings[o.name][string(n)] = r.text(choice{o.name, n})
			}
		}
		out.Pairs = append(out.Pairs, pair)
	}
	for _, d := range took {
		out.RoundTrip = append(out.RoundTrip, milliseconds(d))
	}
	return out
}
