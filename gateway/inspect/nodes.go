package inspect

import (
	"context"
	"slices"
	"time"

	"lapgate/gateway/link/opcua"
)

// NodesWanted says what is asked of an OPC UA server beside what it says of
// itself.
type NodesWanted struct {
	Nodes  []string // to read
	Browse bool     // list objects and variables below From, and read those variables
	From   string
	Bounds opcua.Bounds
}

// NodesRead is what a server says of itself and of its nodes.
type NodesRead struct {
	Server   *opcua.ServerInfo
	Nodes    []opcua.NodeInfo
	Found    []opcua.Found
	Complete bool // false when the bounds cut something off
	Took     []time.Duration
}

// Missing reports whether a node that was asked for is not there.
func (r *NodesRead) Missing() bool {
	return slices.ContainsFunc(r.Nodes, func(n opcua.NodeInfo) bool { return n.Problem != "" })
}

// Nodes connects to a server, reads and browses, and writes nothing. With an
// error the result holds what was seen before it.
func Nodes(ctx context.Context, s opcua.Settings, w NodesWanted) (NodesRead, error) {
	out := NodesRead{Complete: true}
	probe, err := opcua.OpenProbe(ctx, s)
	if err != nil {
		return out, err
	}
	defer func() { _ = probe.Close() }() // only read from
	if out.Server, err = probe.Server(ctx); err != nil {
		return out, err
	}
	ids := slices.Clone(w.Nodes)
	if w.Browse {
		if out.Found, out.Complete, err = probe.Browse(ctx, w.From, w.Bounds); err != nil {
			return out, err
		}
		for _, n := range out.Found {
			if n.Class == "Variable" && !slices.Contains(ids, n.ID) {
				ids = append(ids, n.ID)
			}
		}
	}
	if len(ids) > 0 {
		if out.Nodes, err = probe.Nodes(ctx, ids); err != nil {
			return out, err
		}
	}
	out.Took = probe.RoundTrips()
	return out, nil
}
