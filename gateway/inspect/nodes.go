package inspect

import (
	"context"
	"slices"

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

// NodesReport is what a server says of itself and of its nodes.
type NodesReport struct {
	Endpoint string           `json:"endpoint"`
	Offers   []opcua.Offer    `json:"offers"`
	Server   *ServerReport    `json:"server,omitempty"`
	Found    []opcua.Found    `json:"found,omitempty"`
	Complete bool             `json:"complete" label:"-"` // false when the bounds cut something off
	More     string           `json:"-" label:""`         // where it is not complete
	Nodes    []opcua.NodeInfo `json:"nodes,omitempty" print:"csv"`
}

// ServerReport is what a server says of itself.
type ServerReport struct {
	Maker      string        `json:"maker,omitempty"`
	Product    string        `json:"product,omitempty"`
	Version    string        `json:"version,omitempty"`
	State      string        `json:"state"`
	Skew       float64       `json:"clock_ahead_s" label:"clock ahead of ours"`
	RoundTrip  RoundTrips    `json:"round_trip_s"`
	Namespaces []namespace   `json:"namespaces"`
	Limits     []opcua.Limit `json:"limits"`
}

type namespace struct {
	Index int    `json:"namespace"`
	URI   string `json:"uri"`
}

// Missing reports whether a node that was asked for is not there.
func (r *NodesReport) Missing() bool {
	return slices.ContainsFunc(r.Nodes, func(n opcua.NodeInfo) bool { return n.Problem != "" })
}

// Look connects to the server, reads and browses, and writes nothing. With an
// error the report holds what was seen before it.
func (r *NodesReport) Look(ctx context.Context, s opcua.Settings, w NodesWanted) error {
	probe, err := opcua.OpenProbe(ctx, s)
	if err != nil {
		return err
	}
	defer func() { _ = probe.Close() }() // only read from
	info, err := probe.Server(ctx)
	if err != nil {
		return err
	}
	r.Server = &ServerReport{
		Maker: info.Maker, Product: info.Product, Version: info.Version, State: info.State, Skew: info.Skew.Seconds(),
		Limits: info.Limits, Namespaces: []namespace{},
	}
	for i, uri := range info.Namespaces {
		r.Server.Namespaces = append(r.Server.Namespaces, namespace{i, uri})
	}
	defer func() { r.Server.RoundTrip = probe.RoundTrips() }()
	ids := slices.Clone(w.Nodes)
	if w.Browse {
		if r.Found, r.Complete, err = probe.Browse(ctx, w.From, w.Bounds); err != nil {
			return err
		}
		if !r.Complete {
			r.More = "there is more; raise --depth or --most, or begin elsewhere with --from"
		}
		for _, n := range r.Found {
			if n.Class == "Variable" && !slices.Contains(ids, n.ID) {
				ids = append(ids, n.ID)
			}
		}
	}
	if len(ids) > 0 {
		r.Nodes, err = probe.Nodes(ctx, ids)
	}
	return err
}
