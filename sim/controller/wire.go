package controller

import "hash/crc32"

// The program's own view of the register map. It is written from the
// description of the handshake, not from the gateway's codec, so that a
// mistake made there is not made here too.
const (
	reqLen       = 96
	outLen       = 40
	ringLen      = 64
	heartbeatLen = 10
	helloLen     = 10
	payloadLen   = 80
	commitLen    = 14
	ackLen       = 10

	layoutVersion = 1

	typeREQ       = 0x5251
	typeOUT       = 0x4F55
	typeHeartbeat = 0x4842
	typeHello     = 0x4845
	typePayload   = 0x5041
	typeCommit    = 0x434D
	typeAck       = 0x414B
)

// Bases are the first registers of the blocks, zero-based.
type Bases struct {
	Req, Out, Heartbeat, Hello, Payload, Commit, Ack uint16
}

// DefaultBases are the bases named in the description of the handshake.
func DefaultBases() Bases {
	return Bases{Req: 1000, Out: 1200, Heartbeat: 4000, Hello: 4010, Payload: 4030, Commit: 4120, Ack: 4140}
}

// Area is one private copy of all that the gateway writes.
type Area struct {
	Heartbeat [heartbeatLen]uint16
	Hello     [helloLen]uint16
	Payload   [payloadLen]uint16
	Commit    [commitLen]uint16
	Ack       [ackLen]uint16
}

// ReqWords is the request block as published.
type ReqWords = [reqLen]uint16

// PayloadWords is an offer.
type PayloadWords = [payloadLen]uint16

// OutWords is one entry of the outcome ring.
type OutWords = [outLen]uint16

// Session names one session of the gateway: the epoch gives the order, both
// give the identity. The zero value is no session.
type Session struct{ Epoch, Nonce uint32 }

// checksum is the CRC-32 over words as big-endian bytes.
func checksum(words []uint16) uint32 {
	var b [2 * reqLen]byte
	n := 0
	for _, w := range words {
		b[n], b[n+1] = byte(w>>8), byte(w)
		n += 2
	}
	return crc32.ChecksumIEEE(b[:n])
}

// whole reports whether a block has its type and ends with its own checksum.
func whole(words []uint16, kind uint16) bool {
	n := len(words) - 2
	return words[0] == kind && checksum(words[:n]) == long(words, n)
}

// seal writes the checksum into the last two words.
func seal(words []uint16) {
	n := len(words) - 2
	putLong(words, n, checksum(words[:n]))
}

func long(words []uint16, at int) uint32 { return uint32(words[at])<<16 | uint32(words[at+1]) }

func putLong(words []uint16, at int, v uint32) {
	words[at], words[at+1] = uint16(v>>16), uint16(v)
}

func sessionAt(words []uint16, at int) Session {
	return Session{Epoch: long(words, at), Nonce: long(words, at+2)}
}

func putSession(words []uint16, at int, s Session) {
	putLong(words, at, s.Epoch)
	putLong(words, at+2, s.Nonce)
}

// Tag is a roll's text of up to 16 ASCII characters, zero padded.
type Tag [16]byte

// TagOf cuts and pads a text.
func TagOf(s string) (t Tag) { copy(t[:], s); return t }

func (t Tag) String() string {
	n := 0
	for n < len(t) && t[n] != 0 {
		n++
	}
	return string(t[:n])
}

func putTag(words []uint16, at int, t Tag) {
	for i := 0; i < len(t); i += 2 {
		words[at+i/2] = uint16(t[i])<<8 | uint16(t[i+1])
	}
}

func tagAt(words []uint16, at int) (t Tag) {
	for i := 0; i < len(t); i += 2 {
		t[i], t[i+1] = byte(words[at+i/2]>>8), byte(words[at+i/2])
	}
	return t
}

// The groups of setpoints by their bit in register 66 of the payload.
const (
	GroupStand = iota
	GroupWrap
	GroupCrimp
	GroupGlue
	GroupHeader
	GroupWeigh
	GroupCentre
	GroupDrives
)

// Recipe is an accepted payload as the line's equipment takes it, in SI with
// temperatures in °C. A field of a group that is not in force is zero.
type Recipe struct {
	Groups uint16

	Slot            int
	WrapperWidth    float64
	FeedLength      float64
	FeedCounts      uint32
	Layers          float64
	Overlap         float64
	WrapSpeed       float64
	TurningHz       float64
	FeedHz          float64
	CrimpTurns      float64
	CrimpTime       float64
	CrimpTurningHz  float64
	CrimperHz       float64
	CentreHeight    float64
	Temperature     float64
	Dwell           float64
	InnerHead       float64
	OuterHead       float64
	Glue            float64 // kg
	Gross           float64
	ScaleTolerance  float64 // relative
	Centring        float64 // m, signed
	ContactPressure float64 // Pa
}

// Has reports whether a group is in force.
func (r *Recipe) Has(group int) bool { return r.Groups>>group&1 == 1 }

// recipeOf reads the setpoints of a payload.
func recipeOf(p []uint16) Recipe {
	r := Recipe{
		Groups:    p[66],
		InnerHead: float64(p[55]) / 1e3,
		OuterHead: float64(p[56]) / 1e3,
	}
	if r.Has(GroupStand) {
		r.Slot, r.WrapperWidth = int(p[33]), float64(p[34])/1e4
	}
	if r.Has(GroupWrap) {
		r.FeedLength, r.FeedCounts = float64(long(p, 35))/1e4, long(p, 37)
		r.Layers, r.Overlap, r.WrapSpeed = float64(p[39])/100, float64(p[40])/1e4, float64(p[41])/1e3
	}
	if r.Has(GroupDrives) {
		r.TurningHz, r.FeedHz = float64(p[42])/100, float64(p[43])/100
		r.CrimpTurningHz, r.CrimperHz = float64(p[46])/100, float64(p[47])/100
	}
	if r.Has(GroupCrimp) {
		r.CrimpTurns, r.CrimpTime = float64(p[44])/100, float64(p[45])/100
		r.CentreHeight = float64(p[49]) / 1e4
	}
	if r.Has(GroupHeader) {
		r.ContactPressure = float64(p[52]) * 100
		r.Temperature, r.Dwell = float64(p[53])/10, float64(p[54])/100
	}
	if r.Has(GroupGlue) {
		r.Glue = float64(p[58]) / 1e3
	}
	if r.Has(GroupWeigh) {
		r.Gross, r.ScaleTolerance = float64(long(p, 60))/10, float64(p[64])/1e4
	}
	if r.Has(GroupCentre) {
		r.Centring = float64(int16(p[65])) / 1e4
	}
	return r
}
