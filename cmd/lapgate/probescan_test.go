package main

import (
	"context"
	"encoding/json"
	"io"
	"math/bits"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link/opcua"
	"lapgate/sim"
	"lapgate/sim/modbus"
)

// withController is the demonstration's configuration with another section of the
// controller, in a file of its own.
func withController(t *testing.T, section string) string {
	t.Helper()
	return demoFile(t, "scanned.yaml", `    controller:
      protocol: modbus-tcp
      address: 127.0.0.1:1502
      plain: true # the simulator listens on loopback
`, section)
}

// passesCheck has the printed section loaded, and compared with the controller by check.
func passesCheck(t *testing.T, section string) {
	t.Helper()
	path := withController(t, section)
	if _, err := config.Load(config.Source{Path: path}); err != nil {
		t.Fatalf("%v in\n%s", err, section)
	}
	if code, out, errs := call(append([]string{"check", path, "--online"}, patientWith()...)...); code != exitDone {
		t.Errorf("exit code %d: %s%s for\n%s", code, out, errs, section)
	}
}

// What scan prints is taken by the configuration and by check --online, wherever the
// blocks of the simulator stand.
func TestProbeScanRegisters(t *testing.T) {
	if testing.Short() {
		t.Skip("five requests a second are slow")
	}
	t.Parallel()
	s := runningSim(t, func(c *sim.Config) {
		c.Modbus.Unit = 17
		b := &c.Bases
		for _, at := range []*uint16{&b.Req, &b.Out, &b.Heartbeat, &b.Hello, &b.Payload, &b.Commit, &b.Ack, &b.Limits} {
			*at += 1345
		}
	})
	code, out, errs := call("probe", "scan", "--timeout", "30s", s.ModbusAddr(), "--unit-ids", "3,17", "--bases", "2300-2400", "--yes")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, errs, `about 20 requests, 4s, and some more`, `at most 5 requests a second`, `^unit 3: no such unit`, `^found: unit 17, holding registers, base 2345 \(42346\); word order ABCD; REQ 2345 decodes, OUT 2545 `, `LIMITS 5545 decodes`)
	wants(t, out, `^    controller:$`, `^      unit: 17$`, `^        request: 2345$`, `^        ack: 5485`)
	passesCheck(t, out)

	// A base that is one off, as JSON.
	code, out, errs = call("probe", "scan", "--timeout", "30s", s.ModbusAddr(), "--unit-ids", "17", "--bases", "2346", "--yes", "--json")
	var report inspect.SearchReport
	if err := json.Unmarshal([]byte(out), &report); err != nil || code != exitDone || len(report.Found) != 1 || report.Requests < 10 {
		t.Errorf("exit code %d, %v: %s%s", code, err, out, errs)
	}
	passesCheck(t, report.Found[0].Lines)
	if code, out, errs = call("probe", "scan", "--timeout", "30s", s.ModbusAddr(), "--unit-ids", "17", "--bases", "2348", "--yes", "--csv"); code != exitDifferences {
		t.Errorf("exit code %d: %s", code, errs)
	}
	wants(t, out, `^where,got$`, `^"unit 17, input registers, base 2349 \(32350\)",.*other data: `)
	wants(t, errs, `no request block was found: see that the controller's program runs`)
}

// swapped are registers with the bytes of each exchanged.
type swapped struct{ modbus.Registers }

func (s swapped) Read(addr uint16, count int) ([]uint16, error) {
	words, err := s.Registers.Read(addr, count)
	for i, w := range words {
		words[i] = bits.ReverseBytes16(w)
	}
	return words, err
}

// Blocks that no configuration makes readable are found, and no section is printed.
func TestProbeScanOfOtherOrder(t *testing.T) {
	t.Parallel()
	s := runningSim(t, func(*sim.Config) {})
	server, err := modbus.Listen(t.Context(), "127.0.0.1:0", 1, swapped{s.Image()}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = server.Close() }()
	code, out, errs := call("probe", "scan", "--timeout", "30s", server.Addr(), "--yes")
	if code != exitDifferences || out != "" {
		t.Errorf("exit code %d: %s", code, out)
	}
	wants(t, errs, `^found: .*word order ABCD, the bytes of each register exchanged`, `have the controller or its link put`)
}

// The nodes are found by what they hold, whatever the index of their namespace and the
// name of the line.
func TestProbeScanNodes(t *testing.T) {
	if testing.Short() {
		t.Skip("five requests a second are slow")
	}
	t.Parallel()
	s := runningSim(t, func(c *sim.Config) {
		c.OPCUA.Addr, c.OPCUA.Line, c.OPCUA.Plain, c.OPCUA.Anonymous = "127.0.0.1:0", "east-7", true, true
		c.OPCUA.Before = []string{"urn:mill:drives", "urn:mill:scale", "urn:mill:lamps", "urn:mill:doors"}
	})
	url := s.OPCUA().URL()
	code, out, errs := call("probe", "scan", "--timeout", "30s", url, "--policy", "None", "--mode", "None", "--yes")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, errs, `^found: namespace urn:lapgate:line, node east-7\.Request; .*OUT east-7\.Outcome\.\* `, `LIMITS east-7\.Limits decodes`)
	wants(t, out, `^        namespace: "urn:lapgate:line"$`, `^          outcomes: "east-7\.Outcome\.\*"`)
	passesCheck(t, out)
	_, nodes, _ := call("probe", "opcua", "--timeout", "30s", url, "--policy", "None", "--mode", "None", "--browse")
	wants(t, nodes, `ns=6;s=east-7\.Request`)

	// Nothing is trusted, and nobody logged in, without being told to.
	folder := filepath.Join(t.TempDir(), "pki")
	if code, out, errs = call("probe", "scan", "--timeout", "30s", url, "--folder", folder, "--yes"); code != exitDifferences || out != "" {
		t.Errorf("exit code %d: %s", code, out)
	}
	wants(t, errs, `lapgate trust accept`)
	code, out, errs = call("trust", "show", url, "--json")
	var shown struct{ Fingerprint string }
	if err := json.Unmarshal([]byte(out), &shown); err != nil || code != exitDone {
		t.Fatalf("exit code %d, %v: %s%s", code, err, out, errs)
	}
	if code, _, errs = call("trust", "accept", url, "--folder", folder, "--fingerprint", shown.Fingerprint); code != exitDone {
		t.Fatalf("exit code %d, %s", code, errs)
	}
	if code, out, errs = call("probe", "scan", "--timeout", "30s", url, "--folder", folder, "--server-name", "other.mill.test", "--yes"); code != exitDifferences {
		t.Errorf("exit code %d: %s%s", code, out, errs)
	}
	if code, out, errs = call("probe", "scan", "--timeout", "30s", url, "--folder", folder, "--yes"); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	passesCheck(t, out)
	secret := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(secret, []byte("quite secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, errs = call("probe", "scan", "--timeout", "30s", url, "--folder", folder, "--user", "kim", "--password", "file:"+secret, "--yes"); code != exitDifferences || strings.Contains(out+errs, "quite secret") {
		t.Errorf("exit code %d: %s%s", code, out, errs)
	}
}

// Nothing is read before somebody agrees, of more than one host, or on a serial line
// that has another master.
func TestProbeScanAsks(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	var connections atomic.Int32
	go func() {
		for {
			if _, err := l.Accept(); err != nil {
				return
			}
			connections.Add(1)
		}
	}()
	for want, args := range map[string][]string{
		"without a terminal a scan needs --yes": {l.Addr().String()},
		"is not one host":                       {"127.0.0.0/24", "--yes"},
		"a serial line has one master":          {"/dev/ttyUSB0", "--yes"},
		"--bus-is-mine goes with a serial line": {l.Addr().String(), "--bus-is-mine", "--yes"},
		"--policy goes with OPC UA":             {l.Addr().String(), "--policy", "None", "--yes"},
		"--unit-ids goes with registers":        {"opc.tcp://" + l.Addr().String(), "--unit-ids", "2", "--yes"},
		"want numbers and ranges":               {l.Addr().String(), "--bases", "9-4", "--yes"},
		"want a time above 0":                   {l.Addr().String(), "--timeout", "0s", "--yes"},
	} {
		code, _, errs := call(append([]string{"probe", "scan"}, args...)...)
		if code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("%v: exit code %d: %s", args, code, errs)
		}
	}
	if n := connections.Load(); n > 0 {
		t.Errorf("%d connections were made", n)
	}
}

// Nobody there: what was tried is told, and what to do.
func TestProbeScanUnreachable(t *testing.T) {
	code, out, errs := call("probe", "scan", "127.0.0.1:1", "--yes")
	if code != exitUnreachable || out != "" {
		t.Errorf("exit code %d: %s", code, out)
	}
	wants(t, errs, `^127\.0\.0\.1:1: registers of 1 unit`, `nothing listens at 127\.0\.0\.1:1`, `nothing answered: ask for address, port, protocol and unit`)
	code, _, errs = call("probe", "scan", filepath.Join(t.TempDir(), "tty"), "--bus-is-mine", "--baud", "9600", "--parity", "none", "--stop-bits", "2", "--yes")
	if code != exitUnreachable {
		t.Errorf("exit code %d: %s", code, errs)
	}
	if code, _, errs = call("probe", "scan", "/dev/null", "--bus-is-mine", "--baud", "1", "--parity", "much", "--stop-bits", "3", "--yes"); code != exitDifferences && code != exitUnreachable {
		t.Errorf("exit code %d", code)
	}
	wants(t, errs, `serial speed is 1 bit/s`, `serial parity is "much"`, `serial stop bits are 3`)
}

// counter passes connections on, and counts them and the messages of the client.
type counter struct {
	net.Listener
	sent atomic.Int64
	all  sync.WaitGroup
}

func newCounter(t *testing.T, backend string, rest func(header []byte) int, header int) *counter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &counter{Listener: l}
	c.all.Go(func() {
		for {
			client, err := l.Accept()
			if err != nil {
				return
			}
			c.sent.Add(1)
			server, err := new(net.Dialer).DialContext(t.Context(), "tcp", backend)
			if err != nil {
				_ = client.Close()
				continue
			}
			c.all.Go(func() { _, _ = io.Copy(client, server); _ = client.Close() })
			c.all.Go(func() {
				defer func() { _ = server.Close() }()
				for {
					head := make([]byte, header)
					if _, err := io.ReadFull(client, head); err != nil {
						return
					}
					body := make([]byte, rest(head))
					if _, err := io.ReadFull(client, body); err != nil {
						return
					}
					c.sent.Add(1)
					if _, err := server.Write(append(head, body...)); err != nil {
						return
					}
				}
			})
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		c.all.Wait()
	})
	return c
}

// Whatever goes over the wire, connections and messages alike, has waited for its turn.
func TestProbeScanTakesTurns(t *testing.T) {
	t.Parallel()
	s := runningSim(t, func(c *sim.Config) {
		c.OPCUA.Addr, c.OPCUA.Line, c.OPCUA.Plain, c.OPCUA.Anonymous = "127.0.0.1:0", "north", true, true
	})
	var turns int64
	turn := func(context.Context) error { turns++; return nil }
	registers := newCounter(t, s.ModbusAddr(), func(h []byte) int { return int(h[4])<<8 | int(h[5]) }, 6)
	f := probeScan{units: "1-3", bases: "900-1100"}
	f.timeout = time.Minute
	w, err := f.registers(scanTarget{registers: registers.Addr().String()})
	if err != nil {
		t.Fatal(err)
	}
	w.Pace = turn
	report, err := w.Search(t.Context())
	if err != nil || len(report.Found) != 1 {
		t.Errorf("%v: %+v", err, report)
	}
	if n := registers.sent.Load(); n != turns || n != int64(report.Requests) || n < 15 {
		t.Errorf("%d connections and messages took %d turns, and the report tells of %d", n, turns, report.Requests)
	}

	turns = 0
	nodes := newCounter(t, strings.TrimPrefix(s.OPCUA().URL(), endpointPrefix), func(h []byte) int { return (int(h[4]) | int(h[5])<<8 | int(h[6])<<16) - 8 }, 8)
	f.policy, f.mode, f.folder = string(opcua.PolicyNone), string(opcua.ModeNone), t.TempDir()
	n, err := f.nodes(&program{stderr: io.Discard}, scanTarget{nodes: endpointPrefix + nodes.Addr().String()})
	if err != nil {
		t.Fatal(err)
	}
	n.Settings.Turn = turn
	if report, err = n.Search(t.Context()); err != nil || len(report.Found) != 1 {
		t.Errorf("%v: %+v", err, report)
	}
	if sent := nodes.sent.Load(); sent > turns || sent < 15 {
		t.Errorf("%d connections and messages took %d turns", sent, turns)
	}
}
