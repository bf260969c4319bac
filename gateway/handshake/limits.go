package handshake

// Limits is the optional block of the controller's own limits, by which it judges
// a recipe. Of Least and Greatest the setpoints and the groups mean something, and
// nothing else. A least value above its greatest one was not entered yet.
type Limits struct {
	Gen             uint16 // changes with every limit
	Least, Greatest Payload
}

// Where the two ends of the first setpoint stand.
const (
	LeastLimit    = 4
	GreatestLimit = 39
)

// Optional reports whether a controller need not have the block.
func Optional(id ID) bool { return id == LIMITS }

// DecodeLimits fills l. Errors are *DecodeError, and leave l as it was.
func DecodeLimits(words []uint16, l *Limits) error { return limitsTable.decode(words, l) }

// Encode writes the block into dst, which has LimitsWords registers, with type,
// layout and checksum. It fails when dst has another length.
func (l *Limits) Encode(dst []uint16) error { return limitsTable.encode(l, dst) }

var limitsTable = build(table[Limits]{
	block: LIMITS, words: LimitsWords, typ: 0x4C49, layout: true, dir: ToGateway,
	fields: limitRows(),
})

// limitRows are the rows of the setpoints and groups of the payload, once for the
// least values and once for the greatest.
func limitRows() []field[Limits] {
	rows := []field[Limits]{u16f(2, "gen", 1, "", "Generation, raised whenever a limit changed.", func(l *Limits) *uint16 { return &l.Gen })}
	for _, end := range []struct {
		first      int
		name, text string
		of         func(*Limits) *Payload
	}{
		{LeastLimit, "least_", "Least value that the controller accepts. ", func(l *Limits) *Payload { return &l.Least }},
		{GreatestLimit, "greatest_", "Greatest value that the controller accepts. ", func(l *Limits) *Payload { return &l.Greatest }},
	} {
		for i := range payloadTable.fields {
			f := &payloadTable.fields[i]
			if f.reg < FirstSetpoint {
				continue
			}
			row := field[Limits]{reg: f.reg - FirstSetpoint + end.first, words: f.words, name: end.name + f.name, scale: f.scale, unit: f.unit, doc: end.text + f.doc, bits: f.bits}
			switch {
			case f.u32 != nil:
				row.u32 = func(l *Limits) *uint32 { return f.u32(end.of(l)) }
			case f.i16 != nil:
				row.i16 = func(l *Limits) *int16 { return f.i16(end.of(l)) }
			default:
				row.u16 = func(l *Limits) *uint16 { return f.u16(end.of(l)) }
			}
			rows = append(rows, row)
		}
	}
	return rows
}
