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

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// probeTimeout is how long a device may take for one answer.
const probeTimeout = 3 * time.Second

// probeLimit bounds a whole look at a device.
const probeLimit = 60 * time.Second

func (p *program) probeCommand() *cobra.Command {
	var source sourceFlags
	var line string
	var values, asJSON bool
	cmd := &cobra.Command{
		Use:   "probe",
		Short: "Look into a controller: raw registers, nodes, or the configured blocks",
		Long: `Probe looks into a controller and only reads: it writes to no register and no
node, and what it asks for is bounded.

With --config it connects to the controller of a configured line as run would,
reads every block and tells what stands there. Its two commands look at a device
that nobody has configured yet.

Exit code 4 when the controller cannot be reached; 5 when it answers, but not as
asked: a configured block is missing, or its own request block does not decode.`,
		Example: `  lapgate probe --config mill.yaml --line north --values
  lapgate probe modbus 192.0.2.10:502 --unit 1 --address 1000 --count 20
  lapgate probe opcua opc.tcp://192.0.2.10:4840 --browse`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			src, err := p.source(&source)
			if err != nil {
				return err
			}
			if src.Path == "" {
				return usageError("nothing to look at; give --config FILE or set %s, or use one of probe modbus, probe opcua", configVariable)
			}
			snapshot, err := p.loadSource(src)
			if err != nil {
				return err
			}
			l, err := lineNamed(snapshot, line)
			if err != nil {
				return err
			}
			return p.probeLine(cmd.Context(), snapshot, l, blockDetail{values: values, asJSON: asJSON})
		},
	}
	source.add(cmd)
	cmd.Flags().StringVar(&line, "line", "", "the line of the configuration (default the first)")
	cmd.Flags().BoolVar(&values, "values", false, "print every field of every block that decodes")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.AddCommand(p.probeModbusCommand(), p.probeOPCUACommand())
	return cmd
}

// blockDetail is how blocks are printed.
type blockDetail struct{ values, asJSON bool }

// blockOut is one block as it was read.
type blockOut struct {
	Block   string            `json:"block"` // OUT has the entry behind it
	Where   string            `json:"where,omitempty"`
	Took    float64           `json:"ms"`
	State   string            `json:"state"` // "decodes", "empty", "does not decode", "not read"
	Problem string            `json:"problem,omitempty"`
	Brief   string            `json:"brief,omitempty"`
	Fields  map[string]string `json:"fields,omitempty"`

	id    handshake.ID
	words []uint16
}

const (
	stateDecodes = "decodes"
	stateEmpty   = "empty"
	stateBroken  = "does not decode"
	stateUnread  = "not read"
)

func (p *program) probeLine(ctx context.Context, s *config.Snapshot, l *config.Line, d blockDetail) error {
	log, err := newLog(p.stderr, s.Log)
	if err != nil {
		return err
	}
	dialer, err := p.dialers(log)(l)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	began := time.Now()
	port, err := dialer.Dial(ctx)
	connected := time.Since(began)
	if err != nil {
		return dialFailed(err)
	}
	defer func() { _ = port.Close() }() // only read from
	blocks := readBlocks(ctx, port, l)
	if d.asJSON {
		err = p.printJSON(struct {
			Line      string     `json:"line"`
			Protocol  string     `json:"protocol"`
			Address   string     `json:"address"`
			Connected float64    `json:"connected_ms"`
			Blocks    []blockOut `json:"blocks"`
		}{l.Recipe.Name, string(l.Controller.Protocol), l.Controller.Address, milliseconds(connected), blocks})
	} else {
		fmt.Fprintf(p.stdout, "line %s, %s %s: connected in %s, a read takes %s\n", l.Recipe.Name, l.Controller.Protocol, l.Controller.Address,
			roundTrip(connected), roundTrips(tookOf(blocks)))
		err = p.printBlocks(blocks, d)
	}
	return errors.Join(err, blocksError(blocks))
}

// dialFailed gives a failed connection its exit code.
func dialFailed(err error) error {
	if link.ClassOf(err) == link.ConfigClass {
		return &exitError{exitDifferences, err}
	}
	return &exitError{exitUnreachable, err}
}

// readBlocks reads each block in a request of its own, and the entries of the
// ring that hold anything.
func readBlocks(ctx context.Context, port link.Port, l *config.Line) []blockOut {
	var out []blockOut
	for _, id := range handshake.IDs() {
		entries := 1
		if id == handshake.OUT {
			entries = handshake.OutEntries
		}
		for entry := range entries {
			b := blockOut{Block: id.String(), id: id, words: make([]uint16, handshake.Words(id)), Where: placeOf(l, id, entry)}
			if id == handshake.OUT {
				b.Block = fmt.Sprintf("%s %02d", id, entry)
			}
			asked := time.Now()
			err := port.Read(ctx, link.Span{Block: id, Entry: entry, Dst: b.words})
			b.Took = milliseconds(time.Since(asked))
			if err != nil {
				b.State, b.Problem = stateUnread, err.Error()
			} else {
				b.decode(l)
			}
			if id != handshake.OUT || b.State != stateEmpty {
				out = append(out, b)
			}
			if link.ClassOf(err) == link.Down {
				return out // the port is dead
			}
		}
	}
	return out
}

// placeOf is where a block stands at the controller, empty where its protocol
// has no registers.
func placeOf(l *config.Line, id handshake.ID, entry int) string {
	if l.Controller.Protocol == config.OPCUA {
		return ""
	}
	layout, err := connect.Layout(l.Controller.Bases)
	if err != nil {
		return ""
	}
	kind := holdingKind
	if l.Controller.Modbus.Registers == config.InputRegisters && !handshake.GatewayOwned(id) {
		kind = inputKind
	}
	from := layout.Address(id, entry)
	to := from + handshake.Words(id) - 1
	return fmt.Sprintf("%d..%d (%s..%s)", from, to, modbus.Notation(kind, from), modbus.Notation(kind, to))
}

func (b *blockOut) decode(l *config.Line) {
	err := handshake.Verify(b.id, b.words)
	switch {
	case err == nil:
		b.State = stateDecodes
		b.Brief = brief(b.id, b.words)
		b.Fields = map[string]string{}
		for _, f := range handshake.Fields(b.id) {
			b.Fields[f.Name] = fieldText(f, b.words, l)
		}
	case !slices.ContainsFunc(b.words, func(w uint16) bool { return w != 0 }):
		b.State = stateEmpty
	default:
		b.State, b.Problem = stateBroken, err.Error()
	}
}

// brief is the main thing about a block that decodes.
func brief(id handshake.ID, words []uint16) string {
	var (
		request   handshake.Request
		outcome   handshake.Outcome
		heartbeat handshake.Heartbeat
		hello     handshake.Hello
		payload   handshake.Payload
		commit    handshake.Commit
		ack       handshake.Ack
	)
	switch id {
	case handshake.REQ:
		if handshake.DecodeRequest(words, &request) == nil {
			return fmt.Sprintf("start %d, phase %s, roll %d %q, request %d, session %d, outcomes %d to %d",
				request.Boot, request.Phase, request.RollNo, request.Tag, request.Req, request.Active.Epoch, request.Acked+1, request.Produced)
		}
		return "torn: it was being written"
	case handshake.OUT:
		if handshake.DecodeOutcome(words, &outcome) == nil {
			return fmt.Sprintf("outcome %d, roll %d: %s", outcome.Index, outcome.RollNo, outcome.Outcome)
		}
	case handshake.HEARTBEAT:
		if handshake.DecodeHeartbeat(words, &heartbeat) == nil {
			return fmt.Sprintf("count %d, session %d", heartbeat.Count, heartbeat.Session.Epoch)
		}
	case handshake.HELLO:
		if handshake.DecodeHello(words, &hello) == nil {
			return fmt.Sprintf("session %d for start %d", hello.Session.Epoch, hello.Boot)
		}
	case handshake.PAYLOAD:
		if handshake.DecodePayload(words, &payload) == nil {
			return fmt.Sprintf("session %d, request %d, %q", payload.Session.Epoch, payload.Req, payload.Tag)
		}
	case handshake.COMMIT:
		if handshake.DecodeCommit(words, &commit) == nil {
			return fmt.Sprintf("session %d, offer %d", commit.Session.Epoch, commit.Offer)
		}
	case handshake.ACK:
		if handshake.DecodeAck(words, &ack) == nil {
			return fmt.Sprintf("session %d, up to outcome %d", ack.Session.Epoch, ack.UpTo)
		}
	}
	return ""
}

// fieldText is one field in the units of the line.
func fieldText(f handshake.FieldInfo, words []uint16, l *config.Line) string {
	w := words[f.Register:][:f.Words]
	number := func(v float64) string {
		if f.Unit == "" {
			return plainNumber(v)
		}
		return wireText(v*f.Scale, f.Unit, l.Recipe)
	}
	switch f.Kind {
	case handshake.FormU32:
		return number(float64(uint32(w[0])<<16 | uint32(w[1])))
	case handshake.FormI16:
		return number(float64(int16(w[0])))
	case handshake.FormText:
		return fmt.Sprintf("%q", strings.TrimRight(textOf(w, bigEndian), "\x00"))
	case handshake.FormArray:
		var parts []string
		for _, x := range w {
			parts = append(parts, number(float64(x)))
		}
		return strings.Join(parts, ", ")
	}
	return number(float64(w[0]))
}

func (p *program) printBlocks(blocks []blockOut, d blockDetail) error {
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
	for i := range blocks {
		b := &blocks[i]
		text := b.State
		if b.Problem != "" {
			text += ": " + b.Problem
		} else if b.Brief != "" {
			text += ": " + b.Brief
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", b.Block, b.Where, text)
		if !d.values || b.State != stateDecodes {
			continue
		}
		for _, f := range handshake.Fields(b.id) {
			fmt.Fprintf(t, "  %d\t%s\t%s\n", f.Register, f.Name, b.Fields[f.Name])
		}
	}
	return t.Flush()
}

// blocksError tells what of the controller's own blocks is not as it should
// be. Those of the gateway are empty until a gateway was there.
func blocksError(blocks []blockOut) error {
	var bad []string
	for i := range blocks {
		b := &blocks[i]
		if b.State == stateUnread || b.State == stateBroken || b.id == handshake.REQ && b.State == stateEmpty {
			bad = append(bad, b.Block+" "+b.State)
		}
	}
	if len(bad) == 0 {
		return nil
	}
	return &exitError{exitDifferences, fmt.Errorf("not as configured: %s", strings.Join(bad, ", "))}
}

func tookOf(blocks []blockOut) []time.Duration {
	var out []time.Duration
	for i := range blocks {
		out = append(out, time.Duration(blocks[i].Took*float64(time.Millisecond)))
	}
	return out
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

func roundTrip(d time.Duration) string { return fmt.Sprintf("%.2f ms", milliseconds(d)) }

// roundTrips is the spread of some round trips.
func roundTrips(all []time.Duration) string {
	if len(all) == 0 {
		return "nothing"
	}
	all = slices.Sorted(slices.Values(all))
	if len(all) == 1 {
		return roundTrip(all[0])
	}
	return fmt.Sprintf("%s (%s to %s, %d times)", roundTrip(all[len(all)/2]), roundTrip(all[0]), roundTrip(all[len(all)-1]), len(all))
}
