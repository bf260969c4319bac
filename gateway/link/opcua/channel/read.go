package channel

import (
	"math"

	"github.com/gopcua/opcua/ua"
)

// ReadRequest is a ua.ReadRequest of nodes that were encoded before, since the
// same ones are read again and again.
type ReadRequest struct {
	RequestHeader      *ua.RequestHeader
	MaxAge             float64 // of a value in milliseconds; 0 for a fresh one
	TimestampsToReturn ua.TimestampsToReturn
	NodesToRead        []Encoded

	encoded []byte
}

// Header returns the header.
func (r *ReadRequest) Header() *ua.RequestHeader { return r.RequestHeader }

// SetHeader sets the header.
func (r *ReadRequest) SetHeader(h *ua.RequestHeader) { r.RequestHeader = h }

// Encode writes the request down, as the library does for a ua.ReadRequest. The bytes are valid
// until the next call.
func (r *ReadRequest) Encode() ([]byte, error) {
	head, err := ua.Encode(r.RequestHeader)
	if err != nil {
		return nil, err
	}
	out := le.AppendUint64(append(r.encoded[:0], head...), math.Float64bits(r.MaxAge))
	out = le.AppendUint32(out, uint32(r.TimestampsToReturn))
	out = le.AppendUint32(out, uint32(len(r.NodesToRead)))
	for _, n := range r.NodesToRead {
		out = append(out, n...)
	}
	r.encoded = out
	return out, nil
}

// Encoded is a ua.ReadValueID as it stands in a request.
type Encoded []byte
