package opcua

import (
	"fmt"
	"time"

	"github.com/awcullen/opcua/server"
	"github.com/awcullen/opcua/ua"

	"lapgate/sim/nodeset"
)

// Variable is one typed variable beside the blocks, of a controller that has
// variables of its own.
type Variable struct {
	ID       string // string identifier in the namespace of the line
	Type     string // bool, int16, uint16, int32, uint32, int64, uint64, float32, float64, text
	Writable bool
	// Read gives the value, of the Go type of Type.
	Read func() any
	// Write takes a value of that type; an error refuses it.
	Write func(any) error
}

// dataType is the OPC UA type of a variable.
func (v *Variable) dataType() (ua.NodeID, bool) {
	const ( // of the standard, in namespace 0
		boolean, int16t, uint16t, int32t, uint32t, int64t, uint64t, float, double, text = 1, 4, 5, 6, 7, 8, 9, 10, 11, 12
	)
	for _, t := range [...]struct {
		name string
		id   uint32
	}{
		{"bool", boolean}, {"int16", int16t}, {"uint16", uint16t}, {"int32", int32t}, {"uint32", uint32t},
		{"int64", int64t}, {"uint64", uint64t}, {"float32", float}, {"float64", double}, {"text", text},
	} {
		if t.name == v.Type {
			return ua.NewNodeIDNumeric(0, t.id), true
		}
	}
	return nil, false
}

// Add serves variables beside the blocks and returns the index of their
// namespace. It is called before a client connects.
func (s *Server) Add(variables []Variable) (namespace uint16, err error) {
	nm := s.srv.NamespaceManager()
	namespace = nm.Add(nodeset.URI)
	const single = -1 // the rank of a value that is no array
	for i := range variables {
		v := &variables[i]
		kind, ok := v.dataType()
		if !ok {
			return 0, fmt.Errorf("simulator: variable %s has type %q, which is none", v.ID, v.Type)
		}
		access := ua.AccessLevelsCurrentRead
		if v.Writable {
			access |= ua.AccessLevelsCurrentWrite
		}
		n := server.NewVariableNode(s.srv, ua.NewNodeIDString(namespace, v.ID), ua.NewQualifiedName(namespace, v.ID),
			ua.NewLocalizedText(v.ID, "en"), ua.NewLocalizedText("", ""), nil,
			[]ua.Reference{
				ua.NewReference(ua.ReferenceTypeIDHasTypeDefinition, false, ua.NewExpandedNodeID(ua.VariableTypeIDBaseDataVariableType)),
				ua.NewReference(ua.ReferenceTypeIDOrganizes, true, ua.NewExpandedNodeID(ua.ObjectIDObjectsFolder)),
			},
			ua.NewDataValue(v.Read(), ua.Good, time.Now(), 0, time.Now(), 0), kind, single, []uint32{}, access, 0, false, nil)
		n.SetReadValueHandler(func(*server.Session, ua.ReadValueID) ua.DataValue { return good(v.Read()) })
		if v.Writable {
			n.SetWriteValueHandler(func(_ *server.Session, w ua.WriteValue) (ua.DataValue, ua.StatusCode) {
				if err := v.Write(w.Value.Value); err != nil {
					return ua.DataValue{}, ua.BadOutOfRange
				}
				return good(w.Value.Value), ua.Good
			})
		}
		if err := nm.AddNode(n); err != nil {
			return 0, fmt.Errorf("simulator: variable %s: %w", v.ID, err)
		}
	}
	return namespace, nil
}
