package opcua

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/link"
)

// Offer is one way in which a server can be connected to.
type Offer struct {
	URL    string   `json:"url" print:"drop=1"`
	Policy string   `json:"policy"`
	Mode   string   `json:"mode"`
	Logins []string `json:"logins"` // kinds of user
}

// Offers asks a server for its endpoints. What comes is hearsay: nothing of it
// is proved. Errors are *link.Error of class Down.
func Offers(ctx context.Context, endpoint string, timeout time.Duration) ([]Offer, error) {
	list, err := discover(ctx, endpoint, timeout, nil)
	if err != nil {
		return nil, &link.Error{Op: "dial", Class: link.Down, Err: err, Help: connectHelp(endpoint, err)}
	}
	var out []Offer
	for _, e := range list {
		o := Offer{
			URL:    e.EndpointURL,
			Policy: strings.TrimPrefix(e.SecurityPolicyURI, ua.SecurityPolicyURIPrefix),
			Mode:   strings.TrimPrefix(e.SecurityMode.String(), "MessageSecurityMode"),
		}
		for _, t := range e.UserIdentityTokens {
			if t != nil && !slices.Contains(o.Logins, describe(t.TokenType)) {
				o.Logins = append(o.Logins, describe(t.TokenType))
			}
		}
		out = append(out, o)
	}
	return out, nil
}

// Probe looks around in a server. It reads and browses, and can do nothing
// else.
type Probe struct {
	connection *connection
	times      []time.Duration
}

// OpenProbe connects and logs in as Dial does, but asks for no blocks. The name
// of the line does not matter. Errors are *link.Error of class Down or
// ConfigClass.
func OpenProbe(ctx context.Context, settings Settings) (*Probe, error) {
	if settings.Line == "" {
		settings.Line = "probe"
	}
	d, err := New(settings)
	if err != nil {
		return nil, err
	}
	c, err := d.connect(ctx, nil)
	if err != nil {
		return nil, err
	}
	return &Probe{connection: c}, nil
}

// Close ends the session and the connection.
func (p *Probe) Close() error { return p.connection.Close() }

// RoundTrips are how long the answers took, in order.
func (p *Probe) RoundTrips() []time.Duration { return slices.Clone(p.times) }

// Limit is one number that a server says of itself; 0 stands for no limit.
type Limit struct {
	Name  string `json:"limit"`
	Value uint64 `json:"value" label:"value, 0 for none"`
	Known bool   `json:"known"` // whether the server says it
}

// ServerInfo is what a server says of itself. Text that it does not say is
// empty.
type ServerInfo struct {
	Product, Maker, Version string
	State                   string
	Namespaces              []string
	Limits                  []Limit
	Skew                    time.Duration // of its clock, ahead of ours
}

// Server reads what the server says of itself.
func (p *Probe) Server(ctx context.Context) (*ServerInfo, error) {
	limits := []struct {
		name string
		node uint32
	}{
		{"MaxNodesPerRead", id.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead},
		{"MaxNodesPerWrite", id.Server_ServerCapabilities_OperationLimits_MaxNodesPerWrite},
		{"MaxNodesPerBrowse", id.Server_ServerCapabilities_OperationLimits_MaxNodesPerBrowse},
		{"MaxArrayLength", id.Server_ServerCapabilities_MaxArrayLength},
		{"MaxSessions", id.Server_ServerCapabilities_MaxSessions},
	}
	nodes := []uint32{
		id.Server_NamespaceArray, id.Server_ServerStatus_State, id.Server_ServerStatus_BuildInfo_ProductName,
		id.Server_ServerStatus_BuildInfo_ManufacturerName, id.Server_ServerStatus_BuildInfo_SoftwareVersion,
	}
	for _, l := range limits {
		nodes = append(nodes, l.node)
	}
	var items []*item
	for _, n := range nodes {
		items = append(items, valueOfNode(ua.NewNumericNodeID(0, n)))
	}
	results, err := p.readAll(ctx, items)
	if err != nil {
		return nil, err
	}
	info := &ServerInfo{Skew: p.connection.skew}
	info.Namespaces, _ = valueOf[[]string](results[0])
	if state, ok := valueOf[int32](results[1]); ok {
		info.State = strings.TrimPrefix(ua.ServerState(state).String(), "ServerState")
	}
	info.Product, _ = valueOf[string](results[2])
	info.Maker, _ = valueOf[string](results[3])
	info.Version, _ = valueOf[string](results[4])
	for i, l := range limits {
		out := Limit{Name: l.name}
		if n, ok := valueOf[uint32](results[5+i]); ok {
			out.Value, out.Known = uint64(n), true
		}
		info.Limits = append(info.Limits, out)
	}
	return info, nil
}

// NodeInfo is what a server says of one node. Problem is set, and the rest of
// no meaning, where it has no such node.
type NodeInfo struct {
	ID         string    `json:"id"`
	Name       string    `json:"name" print:"drop=5"`
	Class      string    `json:"class" print:"drop=4"`
	Type       string    `json:"type,omitempty"` // with the length of an array in brackets
	UserAccess string    `json:"user_access,omitempty"`
	Access     string    `json:"access,omitempty" label:"access of anyone" print:"drop=3"`
	Value      string    `json:"value,omitempty"`
	Status     string    `json:"status,omitempty"`
	SourceTime time.Time `json:"source_time,omitzero" print:"drop=1"`
	ServerTime time.Time `json:"server_time,omitzero" print:"drop=2"`
	Problem    string    `json:"problem,omitempty" print:"below"`
}

// nodeAttributes are read of each node, in the order in which describeNode
// takes them.
func nodeAttributes() []ua.AttributeID {
	return []ua.AttributeID{
		ua.AttributeIDNodeClass, ua.AttributeIDBrowseName, ua.AttributeIDDataType, ua.AttributeIDValueRank,
		ua.AttributeIDArrayDimensions, ua.AttributeIDAccessLevel, ua.AttributeIDUserAccessLevel, ua.AttributeIDValue,
	}
}

// Nodes reads nodes by their identifiers, as ns=2;s=Line1.Request. The error
// names every identifier that is none.
func (p *Probe) Nodes(ctx context.Context, ids []string) ([]NodeInfo, error) {
	var items []*item
	var bad []error
	for _, text := range ids {
		n, err := ua.ParseNodeID(text)
		if err != nil {
			bad = append(bad, fmt.Errorf("%q is no identifier of a node as ns=2;s=Line1.Request or ns=0;i=2258: %w", text, err))
			continue
		}
		for _, a := range nodeAttributes() {
			items = append(items, attribute(n, a))
		}
	}
	if len(bad) > 0 {
		return nil, errors.Join(bad...)
	}
	var out []NodeInfo
	results, err := p.readAll(ctx, items)
	if err != nil {
		return nil, err
	}
	each := len(nodeAttributes())
	for i, text := range ids {
		out = append(out, describeNode(text, results[i*each:(i+1)*each]))
	}
	return out, nil
}

// Words reads the values of nodes that hold arrays of UInt16. Of one that holds
// something else, or nothing good, they are nil.
func (p *Probe) Words(ctx context.Context, ids []string) ([][]uint16, error) {
	var items []*item
	for _, text := range ids {
		n, err := ua.ParseNodeID(text)
		if err != nil {
			return nil, fmt.Errorf("%q is no identifier of a node: %w", text, err)
		}
		items = append(items, valueOfNode(n))
	}
	results, err := p.readAll(ctx, items)
	if err != nil {
		return nil, err
	}
	out := make([][]uint16, len(ids))
	for i, v := range results {
		out[i], _ = valueOf[[]uint16](v)
	}
	return out, nil
}

func describeNode(text string, r []*ua.DataValue) NodeInfo {
	out := NodeInfo{ID: text}
	class, ok := valueOf[int32](r[0])
	if !ok {
		out.Problem = r[0].Status.Error()
		return out
	}
	out.Class = strings.TrimPrefix(ua.NodeClass(class).String(), "NodeClass")
	if name, ok := valueOf[*ua.QualifiedName](r[1]); ok && name != nil {
		out.Name = name.Name
	}
	if ua.NodeClass(class) != ua.NodeClassVariable {
		return out
	}
	if t, ok := valueOf[*ua.NodeID](r[2]); ok && t != nil {
		out.Type = dataTypeName(t)
	}
	if rank, ok := valueOf[int32](r[3]); ok && rank >= 0 {
		length := ""
		if dims, ok := valueOf[[]uint32](r[4]); ok {
			var parts []string
			for _, d := range dims {
				parts = append(parts, strconv.FormatUint(uint64(d), 10))
			}
			length = strings.Join(parts, ",")
		}
		out.Type += "[" + length + "]"
	}
	level := func(v *ua.DataValue) string {
		if l, ok := valueOf[uint8](v); ok {
			return access(l)
		}
		return "not told"
	}
	out.Access, out.UserAccess = level(r[5]), level(r[6])
	v := r[7]
	out.Status = "Good"
	if v.Status != ua.StatusOK {
		out.Status = v.Status.Error()
	}
	out.SourceTime, out.ServerTime = v.SourceTimestamp, v.ServerTimestamp
	if v.Value != nil {
		out.Value = show(v.Value.Value())
	}
	return out
}

// access names the bits of an access level.
func access(level uint8) string {
	var out []string
	for i, name := range []string{"read", "write", "read history", "write history", "change meaning", "write status", "write time"} {
		if level>>i&1 == 1 {
			out = append(out, name)
		}
	}
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, ", ")
}

// The most that is shown of a value.
const (
	mostElements = 8
	mostRunes    = 100
)

// show is a value in short.
func show(v any) string {
	var text string
	switch x := v.(type) {
	case nil:
		return "empty"
	case time.Time:
		return x.UTC().Format(time.RFC3339Nano)
	case *ua.ExtensionObject:
		return "a structure"
	case []byte:
		text = hex.EncodeToString(x)
	case string:
		text = strconv.Quote(x)
	default:
		r := reflect.ValueOf(v)
		if r.Kind() != reflect.Slice {
			text = fmt.Sprint(v)
			break
		}
		var parts []string
		for i := range min(r.Len(), mostElements) {
			parts = append(parts, fmt.Sprint(r.Index(i).Interface()))
		}
		if r.Len() > mostElements {
			parts = append(parts, fmt.Sprintf("… (%d)", r.Len()))
		}
		return "[" + strings.Join(parts, " ") + "]"
	}
	if runes := []rune(text); len(runes) > mostRunes {
		return string(runes[:mostRunes]) + "…"
	}
	return text
}

// Found is a node that browsing came to.
type Found struct {
	Depth int    `json:"depth" label:"level"` // below the node begun from
	Name  string `json:"name"`
	Class string `json:"class"`
	ID    string `json:"id"`
}

// Bounds of a browse.
type Bounds struct {
	Depth int // levels below the node begun from
	Nodes int // found at most
}

// Browse lists the objects and variables below a node, each once, those of one
// parent in the server's order. The server's own object is named but not
// entered. complete is false when the bounds cut something off.
func (p *Probe) Browse(ctx context.Context, from string, bounds Bounds) (found []Found, complete bool, err error) {
	start, err := ua.ParseNodeID(from)
	if err != nil {
		return nil, false, fmt.Errorf("%q is no identifier of a node: %w", from, err)
	}
	b := browser{probe: p, bounds: bounds, seen: map[string]bool{start.String(): true}, complete: true}
	err = b.enter(ctx, start, 1)
	return b.found, b.complete, err
}

// ObjectsFolder is where browsing usually begins.
func ObjectsFolder() string { return ua.NewNumericNodeID(0, id.ObjectsFolder).String() }

type browser struct {
	probe    *Probe
	bounds   Bounds
	seen     map[string]bool
	found    []Found
	complete bool
}

func (b *browser) enter(ctx context.Context, node *ua.NodeID, depth int) error {
	if depth > b.bounds.Depth {
		b.complete = false
		return nil
	}
	room := b.bounds.Nodes - len(b.found)
	if room <= 0 {
		b.complete = false
		return nil
	}
	references, more, err := b.probe.references(ctx, node, room)
	if err != nil {
		return err
	}
	b.complete = b.complete && !more
	for _, r := range references {
		if r == nil || r.NodeID == nil || r.NodeID.NodeID == nil || b.seen[r.NodeID.NodeID.String()] {
			continue
		}
		if len(b.found) == b.bounds.Nodes {
			b.complete = false
			return nil
		}
		child := r.NodeID.NodeID
		b.seen[child.String()] = true
		f := Found{ID: child.String(), Class: strings.TrimPrefix(r.NodeClass.String(), "NodeClass"), Depth: depth}
		if r.BrowseName != nil {
			f.Name = r.BrowseName.Name
		}
		b.found = append(b.found, f)
		if child.Namespace() == 0 && child.IntID() == id.Server {
			continue
		}
		if r.NodeClass == ua.NodeClassObject {
			if err := b.enter(ctx, child, depth+1); err != nil {
				return err
			}
		}
	}
	return nil
}

// references asks for what is below a node.
func (p *Probe) references(ctx context.Context, node *ua.NodeID, most int) (list []*ua.ReferenceDescription, more bool, err error) {
	answer, err := p.call(ctx, &ua.BrowseRequest{
		View:                          &ua.ViewDescription{ViewID: ua.NewTwoByteNodeID(0)},
		RequestedMaxReferencesPerNode: uint32(most),
		NodesToBrowse: []*ua.BrowseDescription{{
			NodeID: node, BrowseDirection: ua.BrowseDirectionForward, IncludeSubtypes: true,
			ReferenceTypeID: ua.NewNumericNodeID(0, id.HierarchicalReferences),
			NodeClassMask:   uint32(ua.NodeClassObject | ua.NodeClassVariable),
			ResultMask:      uint32(ua.BrowseResultMaskAll),
		}},
	})
	if err != nil {
		return nil, false, err
	}
	browsed, ok := answer.(*ua.BrowseResponse)
	if !ok || len(browsed.Results) != 1 || browsed.Results[0] == nil {
		return nil, false, fmt.Errorf("browsing %s: answer is a %T, want one list", node, answer)
	}
	r := browsed.Results[0]
	if !good(r.StatusCode) {
		return nil, false, fmt.Errorf("browsing %s: %w", node, r.StatusCode)
	}
	if len(r.ContinuationPoint) > 0 {
		// The server keeps the rest until told that nobody wants it.
		if _, err := p.call(ctx, &ua.BrowseNextRequest{ReleaseContinuationPoints: true, ContinuationPoints: [][]byte{r.ContinuationPoint}}); err != nil {
			return nil, false, err
		}
	}
	return r.References, len(r.ContinuationPoint) > 0, nil
}

// mostItems is asked for at once where the server does not say how many it
// takes.
const mostItems = 500

// readAll reads any number of items, in as few requests as the server takes.
func (p *Probe) readAll(ctx context.Context, items []*item) ([]*ua.DataValue, error) {
	var all []*ua.DataValue
	for chunk := range slices.Chunk(items, portion(mostItems, p.connection.reads)) {
		part, err := p.read(ctx, chunk)
		if err != nil {
			return nil, err
		}
		all = append(all, part...)
	}
	return all, nil
}

func (p *Probe) read(ctx context.Context, items []*item) ([]*ua.DataValue, error) {
	asked := time.Now()
	results, err := p.connection.ask(ctx, items)
	p.times = append(p.times, time.Since(asked))
	return results, withHelp("reading", err)
}

func (p *Probe) call(ctx context.Context, request ua.Request) (ua.Response, error) {
	asked := time.Now()
	answer, err := p.connection.channel.Call(ctx, request)
	p.times = append(p.times, time.Since(asked))
	return answer, withHelp("browsing", err)
}

// withHelp adds what a person can do about a call that failed.
func withHelp(op string, err error) error {
	if err == nil {
		return nil
	}
	if help := silenceHelp(err); help != "" {
		return fmt.Errorf("%s: %w; %s", op, err, help)
	}
	return fmt.Errorf("%s: %w", op, err)
}
