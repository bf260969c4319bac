package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link/modbus"
	"lapgate/gateway/link/opcua"
	"lapgate/recipe/wording"
)

// The ports that the protocols listen at where nobody chose another.
const (
	modbusPort = "502"
	opcuaPort  = "4840"
)

// The bounds of a scan.
const (
	scanMostUnits = 256
	lastRegister  = 65535
)

// probeScan is what `probe scan` was asked for.
type probeScan struct {
	units, bases string
	mine         bool // the serial line
	serial       modbus.Serial
	yes          bool
	opcuaLogin
	output outputFlags
}

func (p *program) probeScanCommand() *cobra.Command {
	var f probeScan
	cmd := &cobra.Command{
		Use:   "scan HOST",
		Short: "Find the blocks of the handshake in one controller, and print its section",
		Long: fmt.Sprintf(`Scan looks into one controller for the request block, which it knows by its type,
layout and checksum, and then for the other blocks around it. It prints the section
controller of a line, to put in the place of that of the configuration; lapgate check
--online proves it.

It only reads, at most %d requests a second, from one host. Reads too can disturb an
old or busy controller: it asks first; without a terminal it needs --yes. Scan while
the line stands, and only with the word of whoever answers for the machine.

HOST is a host, for both Modbus TCP at port %s and OPC UA at port %s; HOST:PORT for
Modbus TCP there; an address as opc.tcp://host:port; or the device of a serial line. A
serial line has one master: it is only touched with --bus-is-mine, when no other
master is connected.

Of registers, holding and then input ones, it tries unit 1 and the base that the
description of the handshake proposes, counted from zero and from one, and all byte
and word orders. Other units and bases are tried where they are named.

Exit code 4 when nothing answers; 5 when something does and not every block is found.`, inspect.MostPerSecond, modbusPort, opcuaPort),
		Example: `  lapgate probe scan 192.0.2.10
  lapgate probe scan 192.0.2.10:1502 --unit-ids 1,17,250-255 --bases 0-2999
  lapgate probe scan opc.tcp://192.0.2.10:4840 --user gateway --password file:password
  lapgate probe scan /dev/ttyUSB0 --bus-is-mine --baud 9600 --unit-ids 1-10`,
		Args: takes("the host of one controller"),
		RunE: func(cmd *cobra.Command, args []string) error {
			t, err := f.target(args[0])
			if err != nil {
				return err
			}
			if err := f.check(cmd, t); err != nil {
				return err
			}
			return p.probeScan(cmd.Context(), t, &f)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&f.units, "unit-ids", "1", "units to try, as 1,17 or 1-10")
	fl.StringVar(&f.bases, "bases", "", "zero-based addresses at which the request block may begin, as 0-2999 or 400,1000 (default the one that the handshake proposes)")
	fl.BoolVar(&f.mine, "bus-is-mine", false, "no other master is connected to the serial line")
	fl.IntVar(&f.serial.Baud, "baud", 19200, "bits per second of a serial line")
	fl.StringVar(&f.serial.Parity, "parity", "even", "parity of a serial line: none, even or odd")
	fl.IntVar(&f.serial.StopBits, "stop-bits", 1, "stop bits of a serial line, 1 or 2")
	f.opcuaLogin.add(cmd)
	addTimeout(cmd, &f.timeout, probeTimeout)
	addYes(cmd, &f.yes)
	f.output.add(cmd)
	return cmd
}

// scanTarget is what is looked at: registers, nodes, or both of one host.
type scanTarget struct{ registers, serial, nodes string }

// target reads the argument. More than one host is refused.
func (f *probeScan) target(host string) (t scanTarget, err error) {
	switch {
	case strings.HasPrefix(host, endpointPrefix):
		t.nodes = host
	case strings.HasPrefix(host, "/") || strings.HasPrefix(strings.ToUpper(host), "COM") && !strings.ContainsAny(host, ".:"):
		t.serial = host
	case host == "" || strings.ContainsAny(host, "/,* "):
		return t, usageError("%q is not one host; scan looks at one host, HOST or HOST:PORT", host)
	default:
		if _, _, err := net.SplitHostPort(host); err == nil {
			t.registers = host
			return t, nil
		}
		bare := strings.Trim(host, "[]")
		t.registers, t.nodes = net.JoinHostPort(bare, modbusPort), endpointPrefix+net.JoinHostPort(bare, opcuaPort)
	}
	return t, nil
}

// check refuses what cannot be done, and flags that have nothing to do.
func (f *probeScan) check(cmd *cobra.Command, t scanTarget) error {
	for _, c := range []struct {
		of    bool
		what  string
		flags []string
	}{
		{t.serial != "", "a serial line, as /dev/ttyUSB0", []string{"bus-is-mine", "baud", "parity", "stop-bits"}},
		{t.nodes != "", "OPC UA, as " + endpointPrefix + "host:port", []string{"policy", "mode", "user", "password", "server-name", "folder"}},
		{t.registers+t.serial != "", "registers, as host:port", []string{"unit-ids", "bases"}},
	} {
		for _, name := range c.flags {
			if !c.of && cmd.Flags().Changed(name) {
				return usageError("--%s goes with %s", name, c.what)
			}
		}
	}
	if t.serial != "" && !f.mine {
		return usageError("a serial line has one master, and a second one disturbs what runs there: disconnect the other, then give --bus-is-mine")
	}
	if _, err := f.registers(t); err != nil {
		return err
	}
	return nil
}

// stretches reads a list of numbers and ranges.
func stretches(flag, text string, most int) (out []inspect.Stretch, err error) {
	for _, part := range strings.Split(text, ",") {
		first, last, ranged := strings.Cut(strings.TrimSpace(part), "-")
		if !ranged {
			last = first
		}
		from, err := strconv.Atoi(first)
		to, e := strconv.Atoi(last)
		if errors.Join(err, e) != nil || from < 0 || to > most || from > to {
			return nil, usageError("--%s: got %q, want numbers and ranges from 0 to %d, as 1,10-20", flag, part, most)
		}
		out = append(out, inspect.Stretch{First: from, Last: to})
	}
	return out, nil
}

// registers is the search in registers.
func (f *probeScan) registers(t scanTarget) (*inspect.RegisterSearch, error) {
	w := &inspect.RegisterSearch{Bases: []inspect.Stretch{inspect.StandardBase()}}
	units, err := stretches("unit-ids", f.units, scanMostUnits-1)
	if err != nil {
		return nil, err
	}
	for _, u := range units {
		for n := u.First; n <= u.Last; n++ {
			w.Units = append(w.Units, n)
		}
	}
	if f.bases != "" {
		if w.Bases, err = stretches("bases", f.bases, lastRegister); err != nil {
			return nil, err
		}
	}
	w.Controller = config.Controller{Protocol: config.ModbusTCP, Address: t.registers, Plain: true}
	w.Open = func(ctx context.Context, unit uint8) (inspect.RegisterReader, error) {
		return reader(modbus.OpenProbe(ctx, t.registers, unit, f.timeout))
	}
	if t.serial != "" {
		f.serial.Device, f.serial.Slowest = t.serial, f.timeout
		w.Controller.Protocol, w.Controller.Address = config.ModbusRTU, t.serial
		w.Controller.Serial = config.Serial{Baud: f.serial.Baud, Parity: f.serial.Parity, StopBits: f.serial.StopBits}
		bus := modbus.NewBus(f.serial) // one for all units: it rests after one that was silent
		w.Open = func(ctx context.Context, unit uint8) (inspect.RegisterReader, error) {
			return reader(modbus.OpenSerialProbe(ctx, bus, unit, f.timeout))
		}
	}
	return w, nil
}

// reader keeps a probe that was not opened from being one.
func reader(probe *modbus.Probe, err error) (inspect.RegisterReader, error) {
	if err != nil {
		return nil, err
	}
	return probe, nil
}

// nodes is the search in nodes.
func (f *probeScan) nodes(p *program, t scanTarget) (*inspect.NodeSearch, error) {
	s, err := f.settings(p, t.nodes)
	if err != nil {
		return nil, err
	}
	w := &inspect.NodeSearch{Settings: s, Bounds: opcua.Bounds{Depth: probeMostDepth, Nodes: probeMostNodes}}
	w.Controller = config.Controller{Protocol: config.OPCUA, Address: t.nodes, Plain: s.Policy == opcua.PolicyNone}
	w.Controller.OPCUA = config.OPCUAServer{
		Policy: f.policy, Mode: f.mode, ServerName: f.hostName, User: f.user, Password: f.password,
	}
	if f.folder != opcua.DefaultFolder {
		w.Controller.OPCUA.Certificates = f.folder
	}
	return w, nil
}

// probeScan asks, looks, and prints what it found.
func (p *program) probeScan(ctx context.Context, t scanTarget, f *probeScan) error {
	registers, err := f.registers(t)
	if err != nil {
		return err
	}
	tell := func(t inspect.Tried) {
		if f.output.isText() {
			fmt.Fprintf(p.stderr, "%s: %s\n", t.Where, t.Got)
		}
	}
	pace := new(inspect.Pace)
	registers.Pace, registers.Tell = pace.Wait, tell
	var searches []func(context.Context) (*inspect.SearchReport, error)
	if place := t.registers + t.serial; place != "" {
		n := registers.Requests()
		fmt.Fprintf(p.stderr, "%s: registers of %s, about %d requests, %v, and some more for what is found\n", place, plural(len(registers.Units), "unit"), n, time.Duration(n)*time.Second/inspect.MostPerSecond)
		searches = append(searches, registers.Search)
	}
	if t.nodes != "" {
		nodes, err := f.nodes(p, t)
		if err != nil {
			return err
		}
		nodes.Settings.Turn, nodes.Tell = pace.Wait, tell
		fmt.Fprintf(p.stderr, "%s: objects and variables, %d at most\n", t.nodes, probeMostNodes)
		searches = append(searches, nodes.Search)
	}
	fmt.Fprintf(p.stderr, "It only reads, at most %d requests a second. Reads too can disturb a controller: scan while the line stands, and with the word of whoever answers for the machine.\n", inspect.MostPerSecond)
	if err := p.agreed(nil, f.yes, question{wording.Plain("Scan now?"), wording.Plain("a scan"), wording.Plain("nothing was read")}); err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	report := inspect.NewSearchReport()
	var failed []error
	for _, search := range searches {
		r, err := search(ctx)
		report.Add(r)
		if err != nil {
			failed = append(failed, err)
		}
		if ctx.Err() != nil {
			return errors.Join(failed...)
		}
	}
	return errors.Join(p.printScan(report, f), p.judgeScan(report, failed))
}

// printScan prints the sections as they stand below a line, or the whole report.
func (p *program) printScan(r *inspect.SearchReport, f *probeScan) error {
	if !f.output.isText() {
		return p.printer(f.output, nil).Print(r)
	}
	for _, found := range r.Found {
		var blocks []string
		for _, b := range found.Blocks {
			blocks = append(blocks, strings.Join(strings.Fields(b.Block+" "+b.Where+" "+b.State), " "))
		}
		fmt.Fprintf(p.stderr, "found: %s; %s; %s\n", found.Place, found.Order, strings.Join(blocks, ", "))
		if found.Lines != "" {
			fmt.Fprintf(p.stdout, "    # %s\n%s", found.Place, found.Lines)
		}
	}
	return nil
}

// judgeScan says what to do where not all was found, and gives the exit code.
func (p *program) judgeScan(r *inspect.SearchReport, failed []error) error {
	trouble := r.Troubles()
	switch {
	case len(trouble) > 0:
		return &exitError{exitDifferences, errors.New(strings.Join(trouble, "\n"))}
	case len(r.Found) > 0: // what failed was tried beside it
		for _, err := range failed {
			fmt.Fprintf(p.stderr, "%v\n", err)
		}
		return nil
	case !r.Answered:
		return &exitError{exitUnreachable, errors.Join(append(failed, errors.New("nothing answered: ask for address, port, protocol and unit of the controller, "+
			"and name them, as HOST:PORT, "+endpointPrefix+"host:port, --unit-ids 1-10"))...)}
	}
	return &exitError{exitDifferences, errors.Join(append(failed, errors.New("no request block was found: see that the controller's program runs and publishes it, "+
		"then name the units and bases of its map, as --unit-ids 1-10 --bases 0-2999; a controller with tags of its own has no blocks, see lapgate tags fields"))...)}
}
