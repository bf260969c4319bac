package channel

import "github.com/gopcua/opcua/ua"

// ReadRequest is a ua.ReadRequest of nodes that were encoded before, since the
// same ones are read again and again.
type ReadRequest struct {
	RequestHeader      *ua.RequestHeader
	MaxAge             float64 // of a value in milliseconds; 0 for a fresh one
	TimestampsToReturn ua.TimestampsToReturn
	NodesToRead        []Encoded
}

// Header returns the header.
func (r *ReadRequest) Header() *ua.RequestHeader { return r.RequestHeader }

// SetHeader sets the header.
func (r *ReadRequest) SetHeader(h *ua.RequestHeader) { r.RequestHeader = h }

// Encoded is a ua.ReadValueID as it stands in a request.
type Encoded []byte

// Encode returns it.
func (e Encoded) Encode() ([]byte, error) { return e, nil }
