package opcua

import (
	"context"
	"errors"
	"fmt"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Raw is a connection that reads and writes any nodes, for a controller that
// offers tags instead of blocks. It is used by one goroutine at a time. Its
// errors are those of a port: after one of class Down or Unknown it is dead.
type Raw struct {
	connection *connection
	nodes      map[string]*item // by the text of their identifiers
}

// DialRaw connects and logs in as Dial does, but looks for no blocks. Errors
// are *link.Error of class Down or ConfigClass.
func (d *Dialer) DialRaw(ctx context.Context) (*Raw, error) {
	c, err := d.connect(ctx, nil)
	if err != nil {
		return nil, err
	}
	return &Raw{connection: c, nodes: map[string]*item{}}, nil
}

// node is the value of a node whose identifier was pasted.
func (r *Raw) node(op string, b handshake.ID, text string) (*item, error) {
	if n, ok := r.nodes[text]; ok {
		return n, nil
	}
	id, err := ua.ParseNodeID(text)
	if err != nil {
		return nil, &link.Error{Op: op, Block: b, Class: link.ConfigClass, Err: fmt.Errorf("node %q: %w", text, err),
			Help: "paste the identifier as the controller's address space shows it, as in ns=3;s=Line.Roll"}
	}
	n := valueOfNode(id)
	r.nodes[text] = n
	return n, nil
}

// ReadValues fills values with those of the nodes, as the Go types of their
// OPC UA types, in as few requests as the server's limit allows. The block is
// the one that the nodes serve, for the error.
func (r *Raw) ReadValues(ctx context.Context, b handshake.ID, nodes []string, values []any) error {
	c := r.connection
	if c.dead != nil {
		return c.refuseDead("read", b)
	}
	for len(nodes) > 0 {
		n := portion(len(nodes), c.reads)
		c.nodes = c.nodes[:0]
		for _, text := range nodes[:n] {
			node, err := r.node("read", b, text)
			if err != nil {
				return err
			}
			c.nodes = append(c.nodes, node)
		}
		results, err := c.ask(ctx, c.nodes)
		if err != nil {
			return c.fail("read", b, err)
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
	c := r.connection
	if c.dead != nil {
		return c.refuseDead("write", b)
	}
	written := 0
	for len(nodes) > 0 {
		n := portion(len(nodes), c.writes)
		items := make([]*ua.WriteValue, n)
		for i, text := range nodes[:n] {
			node, err := r.node("write", b, text)
			if err != nil {
				return err
			}
			if items[i], err = writing("write", b, node.NodeID, values[i]); err != nil {
				return err
			}
		}
		results, err := c.write(ctx, items)
		if fewer(&c.writes, n, err) {
			continue // nothing of this request was written
		}
		if err != nil {
			err = c.fail("write", b, err)
			if written > 0 && link.ClassOf(err) == link.Refused {
				err = c.fail("write", b, &mismatchError{fmt.Errorf("a part was written before: %w", err)})
			}
			return err
		}
		if err := r.judge(b, nodes[:n], results, &written); err != nil {
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
	return r.connection.fail("write", b, err)
}

// Close frees the connection. It may be called more than once.
func (r *Raw) Close() error { return r.connection.Close() }
