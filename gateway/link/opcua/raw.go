package opcua

import (
	"context"
	"errors"
	"fmt"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Raw is a connection that reads and writes any nodes, for a controller that
// offers tags instead of blocks. It is used by one goroutine at a time. Its
// errors are those of a port: after one of class Down or Unknown it is dead.
type Raw struct {
	port  *port
	nodes map[string]*ua.NodeID
	write int // nodes in one write, 0 for any number
}

// DialRaw connects and logs in as Dial does, but looks for no blocks. Errors
// are *link.Error of class Down or ConfigClass.
func (d *Dialer) DialRaw(ctx context.Context) (*Raw, error) {
	c, err := d.session(ctx)
	if err != nil {
		return nil, d.dialError(ctx, err)
	}
	r := &Raw{port: &port{channel: c, dialer: d}, nodes: map[string]*ua.NodeID{}}
	if err := r.limits(ctx); err != nil {
		c.close()
		return nil, d.dialError(ctx, err)
	}
	c.timeout = d.settings.Timeout
	return r, nil
}

// limits reads how many nodes a request may name. A server without such limits
// has no such nodes, or says 0.
func (r *Raw) limits(ctx context.Context) error {
	limit := func(node uint32) *ua.ReadValueID { return itemOf(ua.NewNumericNodeID(0, node)) }
	p := r.port
	results, err := p.ask(ctx, []*ua.ReadValueID{
		limit(id.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead),
		limit(id.Server_ServerCapabilities_OperationLimits_MaxNodesPerWrite),
	})
	if err != nil {
		return fmt.Errorf("reading the limits of the server: %w", err)
	}
	for i, to := range []*int{&p.limit, &r.write} {
		if v := results[i]; good(v.Status) && v.Value != nil {
			if n, ok := v.Value.Value().(uint32); ok && n < 1<<31 {
				*to = int(n)
			}
		}
	}
	return nil
}

func itemOf(node *ua.NodeID) *ua.ReadValueID {
	return &ua.ReadValueID{NodeID: node, AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}}
}

// node parses an identifier as it was pasted.
func (r *Raw) node(op string, b handshake.ID, text string) (*ua.NodeID, error) {
	if n, ok := r.nodes[text]; ok {
		return n, nil
	}
	n, err := ua.ParseNodeID(text)
	if err != nil {
		return nil, &link.Error{Op: op, Block: b, Class: link.ConfigClass, Err: fmt.Errorf("node %q: %w", text, err),
			Help: "paste the identifier as the controller's address space shows it, as in ns=3;s=Line.Roll"}
	}
	r.nodes[text] = n
	return n, nil
}

// ReadValues fills values with those of the nodes, as the Go types of their
// OPC UA types, in as few requests as the server's limit allows. The block is
// the one that the nodes serve, for the error.
func (r *Raw) ReadValues(ctx context.Context, b handshake.ID, nodes []string, values []any) error {
	p := r.port
	if p.dead != nil {
		return p.refuseDead("read", b)
	}
	for len(nodes) > 0 {
		n := len(nodes)
		if p.limit > 0 {
			n = min(n, p.limit)
		}
		p.nodes = p.nodes[:0]
		for _, text := range nodes[:n] {
			node, err := r.node("read", b, text)
			if err != nil {
				return err
			}
			p.nodes = append(p.nodes, itemOf(node))
		}
		results, err := p.ask(ctx, p.nodes)
		if err != nil {
			return p.fail("read", b, err)
		}
		for i, v := range results {
			switch {
			case !good(v.Status):
				return &link.Error{Op: "read", Block: b, Class: link.Refused,
					Err: fmt.Errorf("node %s: value is not good: %w", nodes[i], v.Status), Help: statusHelp(v.Status)}
			case v.Value == nil || v.Value.Value() == nil:
				return &link.Error{Op: "read", Block: b, Class: link.Refused,
					Err: fmt.Errorf("node %s: value is empty although it is good", nodes[i]), Help: "give the variable a value in the controller"}
			}
			values[i] = v.Value.Value()
		}
		nodes, values = nodes[n:], values[n:]
	}
	return nil
}

// WriteValues writes values to nodes, in one request where the server's limit
// allows. Refused means that none was written.
func (r *Raw) WriteValues(ctx context.Context, b handshake.ID, nodes []string, values []any) error {
	p := r.port
	if p.dead != nil {
		return p.refuseDead("write", b)
	}
	written := 0
	for len(nodes) > 0 {
		n := len(nodes)
		if r.write > 0 {
			n = min(n, r.write)
		}
		items := make([]*ua.WriteValue, n)
		for i, text := range nodes[:n] {
			node, err := r.node("write", b, text)
			if err != nil {
				return err
			}
			v, err := ua.NewVariant(values[i])
			if err != nil {
				return &link.Error{Op: "write", Block: b, Class: link.ConfigClass, Err: fmt.Errorf("node %s: %w", text, err), Help: "this is a fault of the gateway; report it"}
			}
			items[i] = &ua.WriteValue{NodeID: node, AttributeID: ua.AttributeIDValue, Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: v}}
		}
		answer, err := p.channel.call(ctx, &ua.WriteRequest{NodesToWrite: items})
		if err != nil {
			err = p.fail("write", b, err)
			if written > 0 && link.ClassOf(err) == link.Refused {
				err = p.fail("write", b, &mismatchError{fmt.Errorf("a part was written before: %w", err)})
			}
			return err
		}
		response, ok := answer.(*ua.WriteResponse)
		if !ok || len(response.Results) != n {
			return p.fail("write", b, &mismatchError{fmt.Errorf("answer is a %T, want a write with %d results", answer, n)})
		}
		if err := r.judge(b, nodes[:n], response.Results, &written); err != nil {
			return err
		}
		nodes, values = nodes[n:], values[n:]
	}
	return nil
}

// judge tells what became of each node of a write.
func (r *Raw) judge(b handshake.ID, nodes []string, results []ua.StatusCode, written *int) error {
	var bad []error
	refused := true
	help := ""
	for i, status := range results {
		switch {
		case good(status) && status != ua.StatusGoodCompletesAsynchronously:
			*written++
			continue
		case !nothingDone(status):
			refused = false
		}
		bad = append(bad, fmt.Errorf("node %s: %w", nodes[i], status))
		help = statusHelp(status)
	}
	if len(bad) == 0 {
		return nil
	}
	err := errors.Join(bad...)
	if refused && *written == 0 {
		return &link.Error{Op: "write", Block: b, Class: link.Refused, Err: err, Help: help}
	}
	return r.port.fail("write", b, err)
}

// Close frees the connection. It may be called more than once.
func (r *Raw) Close() error { return r.port.Close() }
