package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
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
	floats                       bool
	timeout                      time.Duration
	output                       outputFlags
}

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
		Args: takes("the HOST:PORT of one device"),
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
	fl.StringVar(&f.kind, "registers", inspect.HoldingRegisters, "holding (function 3) or input (function 4)")
	fl.StringVar(&f.order, "order", "", "show one word order alone: "+strings.Join(inspect.OrderNames(), ", "))
	fl.BoolVar(&f.floats, "float", false, "show floating point numbers alone")
	fl.IntVar(&f.repeat, "repeat", 3, fmt.Sprintf("how often the registers are read, 1 to %d: for the round-trip time, and to see what changes", probeMostRepeats))
	addTimeout(cmd, &f.timeout, probeTimeout)
	f.output.add(cmd)
	return cmd
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
	if f.kind != inspect.HoldingRegisters && f.kind != inspect.InputRegisters {
		return usageError("--registers: got %q, want %s or %s", f.kind, inspect.HoldingRegisters, inspect.InputRegisters)
	}
	if f.order != "" && !slices.Contains(inspect.OrderNames(), f.order) {
		return usageError("--order: got %q, want one of %s", f.order, strings.Join(inspect.OrderNames(), ", "))
	}
	return nil
}

func (p *program) probeModbus(ctx context.Context, address string, f *modbusProbe) error {
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	seen, err := inspect.Registers(ctx, inspect.RegistersWanted{
		Address: address, Unit: uint8(f.unit), Input: f.kind == inspect.InputRegisters, First: f.address, Count: f.count,
		Repeat: f.repeat, Timeout: f.timeout, Order: f.order, Floats: f.floats,
	})
	if err != nil {
		return probeFailed(err)
	}
	return p.printer(f.output, nil).Print(seen)
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
