package handshake

// SetpointField is a field of the payload that carries a setpoint.
type SetpointField struct {
	FieldInfo

	row *field[Payload]
}

// SetpointFields lists the fields that carry a setpoint, in register order.
func SetpointFields() []SetpointField {
	var out []SetpointField
	for i := range payloadTable.fields {
		if f := &payloadTable.fields[i]; f.of != "" {
			out = append(out, SetpointField{payloadTable.info(f), f})
		}
	}
	return out
}

// Get is the number of the field in a payload.
func (f *SetpointField) Get(p *Payload) int64 {
	switch {
	case f.row.u32 != nil:
		return int64(*f.row.u32(p))
	case f.row.i16 != nil:
		return int64(*f.row.i16(p))
	}
	return int64(*f.row.u16(p))
}

// Put sets the number of the field in a payload; it must be in its Range.
func (f *SetpointField) Put(p *Payload, n int64) {
	switch {
	case f.row.u32 != nil:
		*f.row.u32(p) = uint32(n)
	case f.row.i16 != nil:
		*f.row.i16(p) = int16(n)
	default:
		*f.row.u16(p) = uint16(n)
	}
}
