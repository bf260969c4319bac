package handshake

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// wireRows returns the rows of the reference data on wire formats for a check.
func wireRows(t *testing.T, check string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/wire.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]string
	for _, row := range all {
		if row[0] == check {
			out = append(out, row)
		}
	}
	if len(out) == 0 {
		t.Fatalf("wire.csv has no row for %s", check)
	}
	return out
}

// exampleWords reads the words of the worked example from the text of the
// handshake, section 4.3.
func exampleWords(t testing.TB) map[string][]uint16 {
	t.Helper()
	text, err := os.ReadFile("../../configs/controller/handshake.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, _ := strings.Cut(string(text), "### 4.3 ")
	section, _, _ = strings.Cut(section, "### 4.4 ")
	out := map[string][]uint16{}
	name := ""
	for line := range strings.Lines(section) {
		const indent, column = "    ", 13
		if !strings.HasPrefix(line, indent) {
			continue
		}
		if line[len(indent)] != ' ' {
			name, _, _ = strings.Cut(line[len(indent):], " ")
		}
		for _, word := range strings.Fields(line[min(column, len(line)):]) {
			if v, err := strconv.ParseUint(word, 16, 16); err == nil && len(word) == 4 {
				out[name] = append(out[name], uint16(v))
			}
		}
	}
	for _, id := range IDs() {
		if len(out[id.String()]) != Words(id) {
			t.Fatalf("the worked example has %d words of %s, want %d", len(out[id.String()]), id, Words(id))
		}
	}
	return out
}

// scaled turns a value in the field's unit into the number on the wire.
func scaled(t testing.TB, id ID, name string, value float64) float64 {
	t.Helper()
	for _, f := range Fields(id) {
		if f.Name == name {
			return math.Round(value / f.Scale)
		}
	}
	t.Fatalf("block %s has no field %s", id, name)
	return 0
}

var exampleSession = Session{Epoch: 7, Nonce: 0x9E3779B9}

// examplePayload is the payload of the worked example, from its values in
// physical units.
func examplePayload(t testing.TB) Payload {
	w := func(name string, v float64) uint16 { return uint16(scaled(t, PAYLOAD, name, v)) }
	d := func(name string, v float64) uint32 { return uint32(scaled(t, PAYLOAD, name, v)) }
	return Payload{
		Session: exampleSession, Boot: 41, Req: 1205, RollNo: 1190, Offer: 3,
		Kind: KindRecipe, Origin: Computed, ConfigHash: 0x1F2E3D4C, Tag: "R2026-001190",
		Diameter: d("diameter", 1250.4), Width: d("width", 1602.0),
		Slot: 2, WrapperWidth: w("wrapper_width", 1850.0), FeedLength: d("feed_length", 11943.3),
		FeedCounts: 23887, Layers: w("layers", 3), Overlap: w("overlap", 150.0),
		WrapSpeed: w("wrap_speed", 600), TurningHz: w("turning_frequency", 25.54), FeedHz: w("feed_frequency", 31.20),
		CrimpTurns: w("crimp_turns", 1.25), CrimpTime: w("crimp_time", 11.90),
		CrimpTurningHz: w("crimp_turning_frequency", 17.02), CrimperHz: w("crimper_frequency", 28.90),
		CrimperPressure: w("crimper_pressure", 6900), RollCentre: w("roll_centre", 766.8),
		CrimperPosition: w("crimper_position", 625.2), PlatenStroke: w("platen_stroke", 410.0),
		ContactPressure: w("contact_pressure", 10.3), Temperature: w("header_temperature", 176.7),
		Dwell: w("header_dwell", 6.50), InnerHead: w("inner_head", 1250), OuterHead: w("outer_head", 1219),
		Zones: 0x003F, Glue: w("glue", 85), CloseMin: w("closing_least", 168.0), CloseMax: w("closing_greatest", 185.0), Gross: d("gross_mass", 1571.2), Tare: d("tare", 23.1),
		ScaleTolerance: w("scale_tolerance", 1.50), Centring: int16(scaled(t, PAYLOAD, "centring_offset", -1.2)),
		Groups: 0x00FF,
	}
}

// exampleRequest is the request of the worked example.
func exampleRequest(t testing.TB) Request {
	d := func(name string, v float64) uint32 { return uint32(scaled(t, REQ, name, v)) }
	w := func(name string, v float64) uint16 { return uint16(d(name, v)) }
	return Request{
		GenHead: 777, GenTail: 777, Boot: 41, Tick: 880123, Active: exampleSession, Floor: 7, LastOffer: 2,
		Phase: Await, Flags: AllPermissives | GatewayAlive | DimensionsValid | LimitsPublished, Permissives: 0x3F,
		RollNo: 1190, Req: 1205, Tag: "R2026-001190", Diameter: d("diameter", 1250.4), Width: d("width", 1602.0),
		Grade: 3, Core: 2, Quality: 97, ScanAge: w("scan_age", 2.10),
		ResultReq: 1204, ResultSession: exampleSession, ResultOffer: 2, ResultVerdict: Accepted, ResultCRC: 0x1A2B3C4D,
		Produced: 1189, Acked: 1189, UnitMode: 1, UnitState: 6, DiameterN: 4, WidthN: 2,
		Diameters: [12]uint16{12498, 12504, 12510, 12504}, Widths: [8]uint16{16018, 16020},
		SlotsReady: 0x3F, SlotOuter: [6]uint16{1100, 1180, 0, 990, 1200, 1050}, SlotConfirmed: 2,
		Platen: w("platen_temperature", 174.2), PlatenHot: w("platen_hot_temperature", 177.5),
	}
}

// exampleOutcome is the outcome of the worked example.
func exampleOutcome(t testing.TB) Outcome {
	d := func(name string, v float64) uint32 { return uint32(scaled(t, OUT, name, v)) }
	w := func(name string, v float64) uint16 { return uint16(d(name, v)) }
	return Outcome{
		Index: 1190, RollNo: 1190, Boot: 41, Req: 1205, Session: exampleSession, Offer: 3, Outcome: Wrapped, PayloadCRC: 0x35F069FF,
		Slot: 2, FeedLength: d("used_feed_length", 11944.0), Layers: w("used_layers", 3), CrimpTime: w("used_crimp_time", 11.90),
		Temperature: w("used_header_temperature", 176.7), Dwell: w("used_header_dwell", 6.50), OuterHead: 1219,
		Overlap: w("used_overlap", 150.0), Scale: d("scale_reading", 1569.8), EncoderUsed: d("wrapper_used", 11938.0),
		Start: 880160, Ended: 883420, Overhang: w("measured_overhang", 124.0), Pressure: w("press_pressure", 4000),
	}
}

// exampleLimits are the limits of the worked example.
func exampleLimits(t testing.TB) Limits {
	d := func(name string, v float64) uint32 { return uint32(int32(scaled(t, LIMITS, name, v))) }
	w := func(name string, v float64) uint16 { return uint16(d(name, v)) }
	return Limits{
		Gen: 5,
		Least: Payload{Slot: 1, WrapperWidth: w("least_wrapper_width", 600), FeedLength: d("least_feed_length", 500), FeedCounts: 1000,
			Layers: w("least_layers", 1), WrapSpeed: w("least_wrap_speed", 50), RollCentre: w("least_roll_centre", 300),
			CrimperPosition: w("least_crimper_position", 200), Centring: int16(w("least_centring_offset", -20))},
		Greatest: Payload{Slot: 6, WrapperWidth: w("greatest_wrapper_width", 2540), FeedLength: d("greatest_feed_length", 40000), FeedCounts: 800000,
			Layers: w("greatest_layers", 6), Overlap: w("greatest_overlap", 500), WrapSpeed: w("greatest_wrap_speed", 1500),
			TurningHz: w("greatest_turning_frequency", 60), FeedHz: w("greatest_feed_frequency", 60), CrimpTurns: w("greatest_crimp_turns", 3),
			CrimpTime: w("greatest_crimp_time", 60), CrimpTurningHz: w("greatest_crimp_turning_frequency", 60),
			CrimperHz: w("greatest_crimper_frequency", 60), CrimperPressure: w("greatest_crimper_pressure", 16000),
			RollCentre: w("greatest_roll_centre", 1100), CrimperPosition: w("greatest_crimper_position", 1050),
			PlatenStroke: w("greatest_platen_stroke", 900), ContactPressure: w("greatest_contact_pressure", 30),
			Temperature: w("greatest_header_temperature", 200), Dwell: w("greatest_header_dwell", 30), InnerHead: 1600, OuterHead: 1600,
			Zones: 0x3F, Glue: w("greatest_glue", 400), CloseMin: w("greatest_closing_least", 200), CloseMax: w("greatest_closing_greatest", 200),
			Gross: d("greatest_gross_mass", 6000), Tare: d("greatest_tare", 200), ScaleTolerance: w("greatest_scale_tolerance", 5),
			Centring: int16(w("greatest_centring_offset", 20)), Groups: 0xFF},
	}
}

// TestLimitsStandByTheirPayload holds section 4.1: register 4 + n is the least and
// 39 + n the greatest value of payload register 33 + n, with its width and unit.
func TestLimitsStandByTheirPayload(t *testing.T) {
	limits := map[int]FieldInfo{}
	for _, f := range Fields(LIMITS) {
		limits[f.Register] = f
	}
	n := 0
	for _, p := range Fields(PAYLOAD) {
		if p.Register < FirstSetpoint || p.Name == "crc" {
			continue
		}
		n++
		for first, name := range map[int]string{LeastLimit: "least_", GreatestLimit: "greatest_"} {
			f := limits[p.Register-FirstSetpoint+first]
			if f.Name != name+p.Name || f.Words != p.Words || f.Kind != p.Kind || f.Scale != p.Scale || f.Unit != p.Unit || f.Bits != p.Bits {
				t.Errorf("register %d of LIMITS is %+v, want that of %+v", f.Register, f, p)
			}
		}
	}
	if n != 31 {
		t.Errorf("%d fields of the payload have limits, want 31", n)
	}
}

// TestStoredWords: what a journal holds of layout 1 reads as it did, with 0 for
// what that layout had not; a controller of layout 1 is not served.
func TestStoredWords(t *testing.T) {
	want := examplePayload(t)
	want.CloseMin, want.CloseMax = 0, 0
	words := make([]uint16, PayloadWords)
	if err := want.Encode(words); err != nil {
		t.Fatal(err)
	}
	seal := func() {
		crc := CRC(words[:PayloadWords-2])
		words[PayloadWords-2], words[PayloadWords-1] = uint16(crc>>16), uint16(crc)
	}
	words[1] = 1
	seal()
	// The checksum of this example in the description of layout 1.
	if got := PayloadCRC(words); got != 0x0DB53589 {
		t.Errorf("checksum of layout 1 is %08X, want 0DB53589", got)
	}
	var got Payload
	if err := DecodeStoredPayload(words, &got); err != nil || got != want {
		t.Errorf("layout 1 reads %+v, %v", got, err)
	}
	if err := DecodePayload(words, &got); err == nil {
		t.Error("words of layout 1 pass on the wire")
	}
	for _, f := range SetpointFields() {
		if late := f.Register == 59 || f.Register == 67; f.In(words) == late {
			t.Errorf("%s is in layout 1: %v", f.Name, f.In(words))
		}
	}
	words[67] = 1850
	seal()
	if err := DecodeStoredPayload(words, &got); err == nil {
		t.Error("a register that layout 1 keeps zero is not refused")
	}
	words[1] = 3
	seal()
	if err := DecodeStoredPayload(words, &got); err == nil {
		t.Error("words of a layout to come are read")
	}
}

func TestWorkedExample(t *testing.T) {
	want := exampleWords(t)
	p := examplePayload(t)
	payload := make([]uint16, PayloadWords)
	if err := p.Encode(payload); err != nil {
		t.Fatal(err)
	}
	hello := Hello{Session: exampleSession, Boot: 41}
	commit := Commit{Offer: 3, Session: exampleSession, Req: 1205, PayloadCRC: PayloadCRC(payload), Tick: 880123}
	ack := Ack{Session: exampleSession, UpTo: 1189}
	beat := Heartbeat{Count: 513, Session: exampleSession, State: 4}

	req, out, limits := exampleRequest(t), exampleOutcome(t), exampleLimits(t)
	var r2 Request
	var o2 Outcome
	var h2 Hello
	var p2 Payload
	var c2 Commit
	var a2 Ack
	var b2 Heartbeat
	var l2 Limits
	for _, tt := range []struct {
		name   string
		words  int
		encode func([]uint16) error
		decode func([]uint16) error
		same   func() bool
	}{
		{"REQ", ReqWords, req.Encode, func(w []uint16) error { return DecodeRequest(w, &r2) }, func() bool { return r2 == req }},
		{"OUT", OutWords, out.Encode, func(w []uint16) error { return DecodeOutcome(w, &o2) }, func() bool { return o2 == out }},
		{"HELLO", HelloWords, hello.Encode, func(w []uint16) error { return DecodeHello(w, &h2) }, func() bool { return h2 == hello }},
		{"PAYLOAD", PayloadWords, p.Encode, func(w []uint16) error { return DecodePayload(w, &p2) }, func() bool { return p2 == p }},
		{"COMMIT", CommitWords, commit.Encode, func(w []uint16) error { return DecodeCommit(w, &c2) }, func() bool { return c2 == commit }},
		{"ACK", AckWords, ack.Encode, func(w []uint16) error { return DecodeAck(w, &a2) }, func() bool { return a2 == ack }},
		{"LIMITS", LimitsWords, limits.Encode, func(w []uint16) error { return DecodeLimits(w, &l2) }, func() bool { return l2 == limits }},
		{"HEARTBEAT", HeartbeatWords, beat.Encode, func(w []uint16) error { return DecodeHeartbeat(w, &b2) }, func() bool { return b2 == beat }},
	} {
		got := make([]uint16, tt.words)
		if err := tt.encode(got); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		if !slices.Equal(got, want[tt.name]) {
			t.Errorf("%s:\n got %04X\nwant %04X", tt.name, got, want[tt.name])
		}
		if err := tt.decode(want[tt.name]); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		if !tt.same() {
			t.Errorf("%s: decoded words differ from the values they were made from", tt.name)
		}
	}
}

// TestCRC rests on the published check value of CRC-32 (P).
func TestCRC(t *testing.T) {
	row := wireRows(t, "crc32-ieee")[0]
	// The check value is of nine bytes, and a block has whole registers. A
	// zero byte in front would change it, so the first eight are taken as
	// words and the ninth is applied as half a register.
	s := row[1]
	words := make([]uint16, len(s)/2)
	for i := range words {
		words[i] = uint16(s[2*i])<<8 | uint16(s[2*i+1])
	}
	crc := ^CRC(words)
	crc ^= uint32(s[len(s)-1])
	for range 8 {
		crc = crc>>1 ^ 0xEDB88320*(crc&1)
	}
	if got := strings.ToUpper(strconv.FormatUint(uint64(^crc), 16)); got != row[2] {
		t.Errorf("CRC of %s is %s, want %s (%s)", s, got, row[2], row[3])
	}
}

// TestTR88 rests on the OPC 30050 node set (P).
func TestTR88(t *testing.T) {
	for check, name := range map[string]func(uint16) string{"tr88-state": StateName, "tr88-mode": ModeName} {
		rows := wireRows(t, check)
		for _, row := range rows {
			n, err := strconv.Atoi(row[1])
			if err != nil {
				t.Fatal(err)
			}
			if got := name(uint16(n)); got != row[2] {
				t.Errorf("%s %d is %q, want %q (%s)", check, n, got, row[2], row[3])
			}
		}
	}
	if got := StateName(18); got != "state 18" {
		t.Errorf("number without a name reads %q", got)
	}
	if got := StateName(0); got != "state 0" {
		t.Errorf("number without a name reads %q", got)
	}
}

// TestTablesCoverEveryRegister holds the tables against the document: each
// register belongs to one field or to the zeros that the document names.
func TestTablesCoverEveryRegister(t *testing.T) {
	zeros := map[ID][]int{
		PAYLOAD: {68, 69, 70, 71, 72, 73, 74, 75, 76, 77},
		ACK:     {1},
		LIMITS:  {3, 74, 75, 76, 77},
	}
	sizes := map[ID]int{REQ: 96, OUT: 40, HEARTBEAT: 10, HELLO: 10, PAYLOAD: 80, COMMIT: 14, ACK: 10, LIMITS: 80}
	for _, id := range IDs() {
		if Words(id) != sizes[id] {
			t.Errorf("%s has %d registers, want %d", id, Words(id), sizes[id])
		}
		owner := make([]string, Words(id))
		names := map[string]bool{}
		last := -1
		for _, f := range Fields(id) {
			if names[f.Name] {
				t.Errorf("%s: two fields are called %s", id, f.Name)
			}
			names[f.Name] = true
			if f.Register <= last {
				t.Errorf("%s: field %s at %d is out of order", id, f.Name, f.Register)
			}
			last = f.Register
			for r := f.Register; r < f.Register+f.Words; r++ {
				if r >= len(owner) {
					t.Fatalf("%s: field %s reaches register %d of %d", id, f.Name, r, len(owner))
				}
				if owner[r] != "" {
					t.Errorf("%s: register %d belongs to %s and %s", id, r, owner[r], f.Name)
				}
				owner[r] = f.Name
			}
			if width := map[Form]int{FormU16: 1, FormI16: 1, FormU32: 2}[f.Kind]; width != 0 && width != f.Words {
				t.Errorf("%s: field %s of kind %s takes %d registers", id, f.Name, f.Kind, f.Words)
			}
			if f.Scale <= 0 || f.Doc == "" {
				t.Errorf("%s: field %s lacks scale or text: %+v", id, f.Name, f)
			}
			if (f.Direction == ToController) != GatewayOwned(id) {
				t.Errorf("%s: field %s is written %s", id, f.Name, f.Direction)
			}
		}
		var gaps []int
		for r, o := range owner {
			if o == "" {
				gaps = append(gaps, r)
			}
		}
		if !slices.Equal(gaps, zeros[id]) {
			t.Errorf("%s: registers %v belong to no field, the document keeps %v zero", id, gaps, zeros[id])
		}
	}
}

// TestFieldsReachTheirRegisters sets each register alone and sees that the
// decoded value changes, and that writing it gives the same words back. Two
// rows that shared an accessor would fail here.
func TestFieldsReachTheirRegisters(t *testing.T) {
	for _, id := range IDs() {
		base := emptyWords(t, id)
		for _, f := range Fields(id) {
			switch f.Name {
			case "type", "layout", "crc", "gen_head", "gen_tail":
				continue
			}
			for r := f.Register; r < f.Register+f.Words; r++ {
				words := slices.Clone(base)
				if f.Kind == FormText {
					for i := f.Register; i <= r; i++ {
						words[i] = 0x4142
					}
				} else {
					words[r] = 0x1234
				}
				seal(words)
				again, err := roundTrip(id, words)
				if err != nil {
					t.Errorf("%s register %d (%s): %v", id, r, f.Name, err)
				} else if !slices.Equal(again, words) {
					t.Errorf("%s register %d (%s) does not come back:\n got %04X\nwant %04X", id, r, f.Name, again, words)
				}
			}
		}
	}
}

// seal sets the checksum.
func seal(words []uint16) { put32(words[len(words)-2:], CRC(words[:len(words)-2])) }

// emptyWords encodes the zero value of a block.
func emptyWords(t testing.TB, id ID) []uint16 {
	t.Helper()
	words := make([]uint16, Words(id))
	if err := encoders()[id](words); err != nil {
		t.Fatal(err)
	}
	return words
}

func encoders() [Blocks]func([]uint16) error {
	return [Blocks]func([]uint16) error{
		(&Request{}).Encode, (&Outcome{}).Encode, (&Heartbeat{}).Encode, (&Hello{}).Encode,
		(&Payload{}).Encode, (&Commit{}).Encode, (&Ack{}).Encode, (&Limits{}).Encode,
	}
}

// roundTrip decodes words and encodes what it got.
func roundTrip(id ID, words []uint16) ([]uint16, error) {
	out := make([]uint16, Words(id))
	switch id {
	case REQ:
		return again(out, words, DecodeRequest, (*Request).Encode)
	case OUT:
		return again(out, words, DecodeOutcome, (*Outcome).Encode)
	case HEARTBEAT:
		return again(out, words, DecodeHeartbeat, (*Heartbeat).Encode)
	case HELLO:
		return again(out, words, DecodeHello, (*Hello).Encode)
	case PAYLOAD:
		return again(out, words, DecodePayload, (*Payload).Encode)
	case COMMIT:
		return again(out, words, DecodeCommit, (*Commit).Encode)
	case LIMITS:
		return again(out, words, DecodeLimits, (*Limits).Encode)
	}
	return again(out, words, DecodeAck, (*Ack).Encode)
}

func again[T any](out, words []uint16, decode func([]uint16, *T) error, encode func(*T, []uint16) error) ([]uint16, error) {
	var x T
	if err := decode(words, &x); err != nil {
		return nil, err
	}
	return out, encode(&x, out)
}

func TestDecodeErrors(t *testing.T) {
	good := func() []uint16 {
		r := Request{GenHead: 7, GenTail: 7, Tag: "R1"}
		w := make([]uint16, ReqWords)
		if err := r.Encode(w); err != nil {
			t.Fatal(err)
		}
		return w
	}
	for _, tt := range []struct {
		name   string
		change func(w []uint16) []uint16
		cause  string
		text   string
	}{
		{"short", func(w []uint16) []uint16 { return w[:95] }, CauseLength, "95 registers, want 96"},
		{"empty", func([]uint16) []uint16 { return nil }, CauseLength, "0 registers"},
		{"nothing published", func(w []uint16) []uint16 { clear(w); return w }, CauseType, "nothing has been published"},
		{"bytes swapped", func(w []uint16) []uint16 { w[0] = 0x5152; return w }, CauseType, "bytes of each register are swapped"},
		{"another block", func(w []uint16) []uint16 { w[0] = 0x4F55; return w }, CauseType, "check the base address"},
		{"another layout", func(w []uint16) []uint16 { w[1] = 1; seal(w); return w }, CauseLayout, "layout version is 1, want 2"},
		{"torn", func(w []uint16) []uint16 { w[93]--; return w }, CauseGeneration, "at the tail (register 93) is 6, at the head 7"},
		{"torn with its checksum", func(w []uint16) []uint16 { w[93]--; seal(w); return w }, CauseGeneration, "register 93"},
		{"damaged body", func(w []uint16) []uint16 { w[30] ^= 0x0100; return w }, CauseCRC, "register 94"},
		{"damaged checksum", func(w []uint16) []uint16 { w[95] ^= 1; return w }, CauseCRC, "register 94"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := Request{Boot: 99, Tag: "kept"}
			err := DecodeRequest(tt.change(good()), &r)
			var de *DecodeError
			if !errors.As(err, &de) {
				t.Fatalf("got %v, want a *DecodeError", err)
			}
			if de.Cause != tt.cause || de.Block != REQ {
				t.Errorf("block %s, cause %q, want REQ and %q", de.Block, de.Cause, tt.cause)
			}
			if !strings.Contains(err.Error(), tt.text) {
				t.Errorf("text %q lacks %q", err, tt.text)
			}
			if (r != Request{Boot: 99, Tag: "kept"}) {
				t.Errorf("a refused block changed the value: %+v", r)
			}
		})
	}
}

// TestEveryBitIsGuarded flips each bit of each block of the worked example.
func TestEveryBitIsGuarded(t *testing.T) {
	words := exampleWords(t)
	for _, id := range IDs() {
		w := words[id.String()]
		for i := range len(w) * 16 {
			w[i/16] ^= 1 << (i % 16)
			if _, err := roundTrip(id, w); err == nil {
				t.Errorf("%s: register %d with bit %d changed was accepted", id, i/16, i%16)
			}
			w[i/16] ^= 1 << (i % 16)
		}
		if _, err := roundTrip(id, w); err != nil {
			t.Errorf("%s: unchanged words refused: %v", id, err)
		}
	}
}

// TestMixedHalves joins the head of one payload with the tail of another at
// every register.
func TestMixedHalves(t *testing.T) {
	old := exampleWords(t)["PAYLOAD"]
	p := examplePayload(t)
	p.Offer, p.FeedLength = 4, p.FeedLength+1
	fresh := make([]uint16, PayloadWords)
	if err := p.Encode(fresh); err != nil {
		t.Fatal(err)
	}
	var got Payload
	for cut := 1; cut < PayloadWords; cut++ {
		mixed := append(slices.Clone(fresh[:cut]), old[cut:]...)
		if slices.Equal(mixed, old) || slices.Equal(mixed, fresh) {
			continue
		}
		if err := DecodePayload(mixed, &got); err == nil {
			t.Errorf("halves joined at register %d were accepted", cut)
		}
	}
}

func TestEncodeErrors(t *testing.T) {
	room := make([]uint16, PayloadWords)
	for _, tt := range []struct {
		name string
		p    Payload
		dst  []uint16
		text string
	}{
		{"tag too long", Payload{Tag: "12345678901234567"}, room, "17 characters, at most 16 fit"},
		{"too short", Payload{}, room[:79], "79 registers given, want 80"},
	} {
		err := tt.p.Encode(tt.dst)
		if err == nil || !strings.Contains(err.Error(), tt.text) {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.text)
		}
	}
	full := Payload{Tag: "1234567890123456"}
	if err := full.Encode(room); err != nil {
		t.Errorf("a tag of 16 characters: %v", err)
	}
}

// TestEncodeIntoUsedRoom sees that nothing of what stood in the room before
// shows through.
func TestEncodeIntoUsedRoom(t *testing.T) {
	for _, id := range IDs() {
		clean, used := make([]uint16, Words(id)), make([]uint16, Words(id))
		for i := range used {
			used[i] = 0xFFFF
		}
		if err := errors.Join(encoders()[id](clean), encoders()[id](used)); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(clean, used) {
			t.Errorf("%s:\n got %04X\nwant %04X", id, used, clean)
		}
	}
}

func TestNames(t *testing.T) {
	for got, want := range map[string]string{
		REQ.String():           "REQ",
		ACK.String():           "ACK",
		ID(77).String():        "block 77",
		ByHand.String():        "manual",
		Rejected.String():      "rejected",
		HeldVerdict.String():   "held",
		Lost.String():          "unknown after memory loss",
		HoldSupply.String():    "supply",
		Verdict(77).String():   "verdict 77",
		HoldReason(8).String(): "operator",
		HoldTag.String():       "strange roll tag",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	if Words(ID(77)) != 0 || Fields(ID(77)) != nil || GatewayOwned(ID(77)) || GatewayOwned(REQ) || GatewayOwned(OUT) {
		t.Error("an unknown or foreign block passes for one of the gateway's")
	}
	if PayloadCRC(make([]uint16, 3)) != 0 {
		t.Error("a fragment has a payload checksum")
	}
}

func TestCodecAllocations(t *testing.T) {
	r := Request{GenHead: 1, GenTail: 1, Tag: "R2026-001190"}
	words := make([]uint16, ReqWords)
	p := examplePayload(t)
	payload := make([]uint16, PayloadWords)
	if n := testing.AllocsPerRun(100, func() {
		if r.Encode(words) != nil || DecodeRequest(words, &r) != nil || p.Encode(payload) != nil {
			t.Fatal("codec failed")
		}
	}); n != 0 {
		t.Errorf("encode and decode with an unchanged tag allocate %v times", n)
	}
}

func BenchmarkDecodeRequest(b *testing.B) {
	r := Request{Tag: "R2026-001190"}
	words := make([]uint16, ReqWords)
	if err := r.Encode(words); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := DecodeRequest(words, &r); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkEncodePayload(b *testing.B) {
	p := examplePayload(b)
	words := make([]uint16, PayloadWords)
	b.ReportAllocs()
	for b.Loop() {
		if err := p.Encode(words); err != nil {
			b.Fatal(err)
		}
	}
}
