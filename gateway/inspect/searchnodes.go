package inspect

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
)

// NodeSearch says in which OPC UA server the nodes of the blocks are looked for.
type NodeSearch struct {
	Settings opcua.Settings
	Bounds   opcua.Bounds // of browsing
	Tell     func(Tried)  // is told what was tried
	// Controller is what is configured of the controller beside what is found.
	Controller config.Controller
}

// blockNode is a variable that may hold a block.
type blockNode struct {
	namespace int
	id, name  string // identifier as a configuration has it, and browse name
	full      string // identifier with its namespace
	words     []uint16
}

// Search looks for the nodes and writes nothing. The error is that of the connection,
// or of the context; the report holds what was seen before it.
func (w *NodeSearch) Search(ctx context.Context) (*SearchReport, error) {
	report := NewSearchReport()
	turn := w.Settings.Turn
	settings := w.Settings
	settings.Turn = func(ctx context.Context) error {
		report.Requests++
		return turn(ctx)
	}
	probe, err := opcua.OpenProbe(ctx, settings)
	if err != nil {
		report.Answered = link.ClassOf(err) == link.ConfigClass
		return report, err
	}
	defer func() { _ = probe.Close() }() // only read from
	report.Answered = true
	info, err := probe.Server(ctx)
	if err != nil {
		return report, err
	}
	found, complete, err := probe.Browse(ctx, opcua.ObjectsFolder(), w.Bounds)
	if err != nil {
		return report, err
	}
	nodes, err := arrays(ctx, probe, found)
	if err != nil {
		return report, err
	}
	got := fmt.Sprintf("%d nodes, %d arrays of UInt16", len(found), len(nodes))
	if !complete {
		got += "; there is more than was looked at"
	}
	t := Tried{"objects and variables of " + w.Settings.Endpoint, got}
	report.Tried = append(report.Tried, t)
	if w.Tell != nil {
		w.Tell(t)
	}
	for i := range nodes {
		if len(nodes[i].words) != handshake.ReqWords {
			continue
		}
		r, order, err := recogniseNode(ctx, probe, &nodes[i])
		switch {
		case causeOf(err) != "":
			continue
		case err != nil:
			return report, err
		}
		uri := ""
		if n := nodes[i].namespace; n < len(info.Namespaces) {
			uri = info.Namespaces[n]
		}
		report.Found = append(report.Found, w.complete(nodes, &nodes[i], uri, order, &r))
	}
	return report, nil
}

// arrays reads the variables, and keeps those that hold as many words as a block.
func arrays(ctx context.Context, probe *opcua.Probe, found []opcua.Found) (out []blockNode, err error) {
	var ids, names []string
	for _, f := range found {
		if f.Class == "Variable" {
			ids, names = append(ids, f.ID), append(names, f.Name)
		}
	}
	values, err := probe.Words(ctx, ids)
	if err != nil {
		return nil, err
	}
	for i, words := range values {
		if len(words) > 0 {
			namespace, id := identifier(ids[i])
			out = append(out, blockNode{namespace, id, names[i], ids[i], words})
		}
	}
	return out, nil
}

// recogniseNode is recognise, and reads again what was caught while it was written.
func recogniseNode(ctx context.Context, probe *opcua.Probe, n *blockNode) (r handshake.Request, o blockOrder, err error) {
	for turn := 1; ; turn++ {
		r, o, err = recognise(n.words)
		if turn == tries || !torn(err) {
			return r, o, err
		}
		again, err := probe.Words(ctx, []string{n.full})
		if err != nil {
			return r, o, err
		}
		n.words = again[0]
	}
}

// identifier parts an identifier as ns=2;s=Line1.Request into the index of its namespace
// and what a configuration has of it: plain text for a string, unless that would be
// taken for another kind.
func identifier(text string) (namespace int, id string) {
	if head, rest, ok := strings.Cut(text, ";"); ok && strings.HasPrefix(head, "ns=") {
		namespace, _ = strconv.Atoi(strings.TrimPrefix(head, "ns=")) // the server's own library wrote it
		text = rest
	}
	plain, ok := strings.CutPrefix(text, "s=")
	if !ok || len(plain) > 1 && plain[1] == '=' {
		return namespace, text
	}
	return namespace, plain
}

// complete finds the nodes of the other blocks of a request block.
func (w *NodeSearch) complete(nodes []blockNode, request *blockNode, uri string, order blockOrder, r *handshake.Request) Found {
	out := Found{Place: fmt.Sprintf("namespace %s, node %s", uri, request.id), Order: order.String(), Blocks: []FoundBlock{{"REQ", request.id, BlockDecodes, true}}}
	if order != (blockOrder{}) {
		out.Trouble = "the blocks stand in another order than the handshake has them, and no configuration changes that: " +
			"have the controller's program put the high word of a number first and the high byte of a word first"
		return out
	}
	var pool []blockNode
	for _, n := range nodes {
		if n.namespace == request.namespace {
			pool = append(pool, n)
		}
	}
	ids := map[handshake.ID]string{handshake.REQ: request.id}
	for _, id := range handshake.IDs() {
		if id == handshake.REQ {
			continue
		}
		published := id != handshake.LIMITS || r.Flags&handshake.LimitsPublished != 0
		b := FoundBlock{Block: id.String(), State: "not found", found: !published}
		if name, words, ok := sibling(pool, request, id); ok {
			b.Where, b.State, b.found, ids[id] = name, "holds something else", !published, name
			switch {
			case empty(words):
				b.State, b.found = BlockEmpty, true
			case handshake.Verify(id, words) == nil:
				b.State, b.found = BlockDecodes, true
			}
		}
		if !b.found {
			out.Trouble = join(out.Trouble, fmt.Sprintf("the node of block %s: %s; ask the controller's programmer for its identifier", b.Block, b.State))
		}
		out.Blocks = append(out.Blocks, b)
	}
	out.Lines = w.lines(uri, out.Blocks, ids)
	return out
}

// sibling finds the node of a block beside that of the request block, with what it
// holds, of the ring in its first entry: by its name, or as the only one that holds
// such a block.
func sibling(pool []blockNode, request *blockNode, id handshake.ID) (name string, words []uint16, ok bool) {
	suffix := func(id handshake.ID, entry int) string { return strings.TrimPrefix(opcua.NodeName("", id, entry), ".") }
	at := func(want string) *blockNode {
		for i := range pool {
			if pool[i].id == want && len(pool[i].words) == handshake.Words(id) {
				return &pool[i]
			}
		}
		return nil
	}
	if line, found := strings.CutSuffix(request.id, suffix(handshake.REQ, 0)); found {
		first := at(line + suffix(id, 0))
		if id == handshake.OUT && first != nil {
			return line + strings.TrimSuffix(suffix(id, 0), "00") + "*", first.words, at(line+suffix(id, handshake.OutEntries-1)) != nil
		}
		if first != nil {
			return first.id, first.words, true
		}
	}
	if id == handshake.OUT {
		return ring(pool, at)
	}
	var holding, named []*blockNode
	for i := range pool {
		n := &pool[i]
		if len(n.words) != handshake.Words(id) {
			continue
		}
		if handshake.Verify(id, n.words) == nil {
			holding = append(holding, n)
		}
		if n.name == suffix(id, 0) {
			named = append(named, n)
		}
	}
	for _, list := range [][]*blockNode{holding, named} {
		if len(list) == 1 {
			return list[0].id, list[0].words, true
		}
	}
	return "", nil, false
}

// ring finds the one row of nodes whose identifiers differ by the two digits of an entry.
func ring(pool []blockNode, at func(string) *blockNode) (pattern string, words []uint16, ok bool) {
	for i := range pool {
		n := &pool[i]
		if len(n.words) != handshake.OutWords {
			continue
		}
		for j := range n.id {
			if !strings.HasPrefix(n.id[j:], "00") || !wholeRing(n.id[:j], n.id[j+2:], at) {
				continue
			}
			if ok {
				return "", nil, false // there are two, and nothing tells which is meant
			}
			pattern, words, ok = n.id[:j]+"*"+n.id[j+2:], n.words, true
		}
	}
	return pattern, words, ok
}

func wholeRing(before, behind string, at func(string) *blockNode) bool {
	for entry := range handshake.OutEntries {
		if at(fmt.Sprintf("%s%02d%s", before, entry, behind)) == nil {
			return false
		}
	}
	return true
}

// lines is the section of a controller that serves nodes.
func (w *NodeSearch) lines(uri string, blocks []FoundBlock, ids map[handshake.ID]string) string {
	var out section
	c := w.Controller
	out.head(&c)
	out.put(1, "opcua:")
	out.put(2, "policy: %s", c.OPCUA.Policy)
	out.put(2, "mode: %s", c.OPCUA.Mode)
	for _, k := range [][2]string{{"certificates", c.OPCUA.Certificates}, {"server_name", c.OPCUA.ServerName}, {"user", c.OPCUA.User}, {"password", c.OPCUA.Password}, {"namespace", uri}} {
		if k[1] != "" {
			out.put(2, "%s: %s", k[0], strconv.Quote(k[1]))
		}
	}
	out.put(2, "nodes:")
	for i, id := range handshake.IDs() { // the order of blocks
		if ids[id] != "" {
			out.put(3, "%s: %s%s", baseKey(id), strconv.Quote(ids[id]), doubt(&blocks[i]))
		}
	}
	return out.String()
}
