package opcua

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// checkBlocks finds the namespace, reads every block once, and checks types, lengths
// and rights. All problems are named at once. The ring is looked at by the first
// connection of a dialer alone: a reconnect reads of it only what is new.
func (p *port) checkBlocks(ctx context.Context) error {
	namespace, err := p.namespace(ctx)
	if err != nil {
		return err
	}
	if err := p.place(namespace); err != nil {
		return err
	}
	checks := p.checks()
	found := &findings{}
	readOnly := false
	for rest := checks; len(rest) > 0; {
		n := portion(len(rest), p.reads)
		p.nodes = p.nodes[:0]
		for _, c := range rest[:n] {
			p.nodes = append(p.nodes, c.node)
		}
		results, err := p.ask(ctx, p.nodes)
		if err != nil {
			return fmt.Errorf("reading the blocks: %w", err)
		}
		for i, c := range rest[:n] {
			if c.node.AttributeID == ua.AttributeIDUserAccessLevel {
				readOnly = c.notWritable(results[i]) || readOnly
			} else {
				c.judge(results[i], found)
			}
		}
		rest = rest[n:]
	}
	if len(found.list) == 0 {
		p.dialer.ringSeen.Store(true)
	}
	p.dialer.tell(readOnly, "read-only", Warning{"read-only",
		"the user may not write every block of the gateway: enough for shadow, not for delivering recipes",
		"give the user the right to write Heartbeat, Hello, Payload, Commit and Ack at the controller, and no other"})
	return found.err()
}

// namespace finds the index of the configured namespace.
func (p *port) namespace(ctx context.Context) (uint16, error) {
	results, err := p.ask(ctx, []*item{valueOfNode(ua.NewNumericNodeID(0, id.Server_NamespaceArray))})
	if err != nil {
		return 0, fmt.Errorf("reading the namespaces: %w", err)
	}
	v := results[0]
	if !good(v.Status) || v.Value == nil {
		return 0, fmt.Errorf("reading the namespaces: %w", v.Status)
	}
	all, ok := v.Value.Value().([]string)
	if !ok {
		return 0, fmt.Errorf("list of namespaces is of type %T, want an array of strings", v.Value.Value())
	}
	want := p.dialer.settings.NamespaceURI
	n := slices.Index(all, want)
	if n < 0 || n > 1<<16-1 {
		return 0, &configError{
			fmt.Errorf("the server has no namespace %s; it has %s", want, strings.Join(all, ", ")),
			"import the blocks into the controller's OPC UA server, or correct the namespace"}
	}
	return uint16(n), nil
}

// place makes the nodes of all blocks.
func (p *port) place(namespace uint16) error {
	s := &p.dialer.settings
	for _, b := range handshake.IDs() {
		entries := 1
		if b == handshake.OUT {
			entries = handshake.OutEntries
		}
		for entry := range entries {
			node, err := nodeID(namespace, s.identifier(b, entry))
			if err != nil {
				return &configError{fmt.Errorf("node of block %s: %w", b, err), "correct the identifiers of the nodes"}
			}
			item := valueOfNode(node)
			if b == handshake.OUT {
				p.entries[entry] = item
			} else {
				p.blocks[b] = item
			}
		}
	}
	return nil
}

// check is one attribute of one block's node.
type check struct {
	node  *item
	block handshake.ID
	entry int
}

// checks are the value of every node that a port reads, and the rights where the
// gateway writes.
func (p *port) checks() []check {
	var out []check
	for _, b := range handshake.IDs() {
		if b == handshake.OUT {
			if p.dialer.ringSeen.Load() {
				continue
			}
			for entry, item := range p.entries {
				out = append(out, check{item, b, entry})
			}
			continue
		}
		if handshake.Optional(b) {
			continue
		}
		item := p.blocks[b]
		out = append(out, check{item, b, 0})
		if handshake.GatewayOwned(b) {
			out = append(out, check{attribute(item.NodeID, ua.AttributeIDUserAccessLevel), b, 0})
		}
	}
	return out
}

// notWritable tells whether the server says that the node may not be written. A
// server that says nothing is believed to allow it.
func (c *check) notWritable(v *ua.DataValue) (denied bool) {
	if !good(v.Status) || v.Value == nil {
		return false
	}
	level, ok := v.Value.Value().(uint8)
	return ok && ua.AccessLevelType(level)&ua.AccessLevelTypeCurrentWrite == 0
}

// judge tells what will never work. A value that is not good for now is none: the
// request block may be valid later, and an entry of the ring or a block of the gateway
// may never have been written. The gateway need not be allowed to read its own.
func (c *check) judge(v *ua.DataValue, found *findings) {
	if !good(v.Status) {
		if lasts(v.Status) && valueClass(c.block, v.Status) != link.NoAccess {
			found.add(c, fmt.Sprintf("value is not good: %v", v.Status), statusHelp(v.Status))
		}
		return
	}
	if _, err := wordsOf(v, handshake.Words(c.block)); err != nil {
		found.add(c, err.Error(), "correct the variable in the controller: every block is an array of UInt16 of its own length")
	}
}

// findings gathers the problems of many nodes; the same one of many entries is
// told once.
type findings struct {
	list []finding
}

type finding struct {
	first check
	more  int
	text  string
	help  string
}

func (f *findings) add(c *check, text, help string) {
	for i := range f.list {
		if have := &f.list[i]; have.first.block == c.block && have.text == text {
			have.more++
			return
		}
	}
	f.list = append(f.list, finding{first: *c, text: text, help: help})
}

func (f *findings) err() error {
	if len(f.list) == 0 {
		return nil
	}
	var bad []error
	var help []string
	for _, x := range f.list {
		where := fmt.Sprintf("block %s", x.first.block)
		if x.first.block == handshake.OUT {
			where += fmt.Sprintf(" entry %02d", x.first.entry)
		}
		if x.more > 0 {
			where += fmt.Sprintf(" and %d more", x.more)
		}
		bad = append(bad, fmt.Errorf("%s (node %s): %s", where, x.first.node.NodeID, x.text))
		if x.help != "" && !slices.Contains(help, x.help) {
			help = append(help, x.help)
		}
	}
	return &blocksError{errors.Join(bad...), strings.Join(help, "; ")}
}

// blocksError is what is wrong with the blocks of a server.
type blocksError struct {
	err  error
	help string
}

func (e *blocksError) Error() string { return e.err.Error() }
func (e *blocksError) Unwrap() error { return e.err }
