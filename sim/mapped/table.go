// Package mapped is the simulated controller as one that offers tags in place
// of the blocks of the handshake: each field is a variable of its own, of a
// type, order and unit that such a controller might have. Its program is that
// of the simulator; this package puts the blocks together from what was
// written to the variables, as glue in a controller does, and takes them apart
// for reading. Table and codec are its own, written from the description of the
// handshake, so that a mistake of the gateway's is not made here too.
package mapped

import (
	"slices"
	"strconv"
	"strings"
)

// fields lists the fields of the blocks: block and name, first register, kind
// (u16, u32, i16, text), the unit and how many steps make one of it. An
// element of an array, and a flag, is a field of its own.
const fields = `
request.gen_head                2 u16
request.gen_tail               93 u16
request.boot_id                 3 u32
request.tick                    5 u32 s 100
request.active_epoch            7 u32
request.active_nonce            9 u32
request.epoch_floor            11 u32
request.last_offer             13 u16
request.phase                  14 u16
request.flags.bit0             15 b0
request.flags.bit1             15 b1
request.flags.bit2             15 b2
request.flags.bit3             15 b3
request.flags.bit4             15 b4
request.flags.bit5             15 b5
request.flags.bit6             15 b6
request.permissives            16 u32
request.roll_no                18 u32
request.req_id                 20 u32
request.roll_tag               22 text
request.diameter               30 u32 mm 10
request.width                  32 u32 mm 10
request.weight                 34 u32 kg 10
request.grade                  36 u16
request.core                   37 u16
request.scan_quality           38 u16 % 1
request.scan_age               39 u16 s 100
request.result_req_id          40 u32
request.result_epoch           42 u32
request.result_nonce           44 u32
request.result_offer           46 u16
request.result_verdict         47 u16
request.result_reason          48 u16
request.result_payload_crc     49 u32
request.outcomes_produced      51 u32
request.outcomes_acknowledged  53 u32
request.stale_commits          55 u32
request.outcomes_overwritten   57 u32
request.unit_mode              59 u16
request.unit_state             60 u16
request.diameter_samples_given 61 u16
request.width_samples_given    62 u16
request.diameter_samples.1     63 u16 mm 10
request.diameter_samples.2     64 u16 mm 10
request.diameter_samples.3     65 u16 mm 10
request.diameter_samples.4     66 u16 mm 10
request.diameter_samples.5     67 u16 mm 10
request.diameter_samples.6     68 u16 mm 10
request.diameter_samples.7     69 u16 mm 10
request.diameter_samples.8     70 u16 mm 10
request.diameter_samples.9     71 u16 mm 10
request.diameter_samples.10    72 u16 mm 10
request.diameter_samples.11    73 u16 mm 10
request.diameter_samples.12    74 u16 mm 10
request.width_samples.1        75 u16 mm 10
request.width_samples.2        76 u16 mm 10
request.width_samples.3        77 u16 mm 10
request.width_samples.4        78 u16 mm 10
request.width_samples.5        79 u16 mm 10
request.width_samples.6        80 u16 mm 10
request.width_samples.7        81 u16 mm 10
request.width_samples.8        82 u16 mm 10
request.slots_ready            83 u16
request.slot_outer_diameter.1  84 u16 mm 1
request.slot_outer_diameter.2  85 u16 mm 1
request.slot_outer_diameter.3  86 u16 mm 1
request.slot_outer_diameter.4  87 u16 mm 1
request.slot_outer_diameter.5  88 u16 mm 1
request.slot_outer_diameter.6  89 u16 mm 1
request.slot_confirmed         90 u16
request.platen_temperature     91 u16 °C 10
outcome.out_idx                 2 u32
outcome.roll_no                 4 u32
outcome.boot_id                 6 u32
outcome.req_id                  8 u32
outcome.epoch                  10 u32
outcome.nonce                  12 u32
outcome.offer                  14 u16
outcome.outcome                15 u16
outcome.reason                 16 u16
outcome.payload_crc            17 u32
outcome.used_slot              19 u16
outcome.used_feed_length       20 u32 mm 10
outcome.used_layers            22 u16 - 100
outcome.used_crimp_time        23 u16 s 100
outcome.used_header_temperature 24 u16 °C 10
outcome.used_header_dwell      25 u16 s 100
outcome.used_outer_head        26 u16 mm 1
outcome.used_overlap           27 u16 mm 10
outcome.scale_reading          28 u32 kg 10
outcome.wrapper_used           30 u32 mm 10
outcome.tick_start             32 u32 s 100
outcome.tick_end               34 u32 s 100
heartbeat.count                 1 u16
heartbeat.epoch                 2 u32
heartbeat.nonce                 4 u32
heartbeat.gateway_state         6 u16
heartbeat.gateway_flags         7 u16
hello.epoch                     2 u32
hello.nonce                     4 u32
hello.boot_id                   6 u32
payload.epoch                   2 u32
payload.nonce                   4 u32
payload.boot_id                 6 u32
payload.req_id                  8 u32
payload.roll_no                10 u32
payload.offer                  12 u16
payload.kind                   13 u16
payload.hold_reason            14 u16
payload.origin                 15 u16
payload.override_reason        16 u16
payload.operator               17 u32
payload.config_hash            19 u32
payload.roll_tag               21 text
payload.diameter               29 u32 mm 10
payload.width                  31 u32 mm 10
payload.slot                   33 u16
payload.wrapper_width          34 u16 mm 10
payload.feed_length            35 u32 mm 10
payload.feed_counts            37 u32
payload.layers                 39 u16 - 100
payload.overlap                40 u16 mm 10
payload.wrap_speed             41 u16 mm/s 1
payload.turning_frequency      42 u16 Hz 100
payload.feed_frequency         43 u16 Hz 100
payload.crimp_turns            44 u16 - 100
payload.crimp_time             45 u16 s 100
payload.crimp_turning_frequency 46 u16 Hz 100
payload.crimper_frequency      47 u16 Hz 100
payload.crimper_pressure       48 u16 kPa 1
payload.roll_centre            49 u16 mm 10
payload.crimper_position       50 u16 mm 10
payload.platen_stroke          51 u16 mm 10
payload.contact_pressure       52 u16 kPa 10
payload.header_temperature     53 u16 °C 10
payload.header_dwell           54 u16 s 100
payload.inner_head             55 u16 mm 1
payload.outer_head             56 u16 mm 1
payload.vacuum_zones           57 u16
payload.glue                   58 u16 g 1
payload.gross_mass             60 u32 kg 10
payload.tare                   62 u32 kg 10
payload.scale_tolerance        64 u16 % 100
payload.centring_offset        65 i16 mm 10
payload.groups                 66 u16
commit.offer                    1 u16
commit.epoch                    2 u32
commit.nonce                    4 u32
commit.req_id                   6 u32
commit.payload_crc              8 u32
commit.tick                    10 u32 s 100
ack.epoch                       2 u32
ack.nonce                       4 u32
ack.up_to                       6 u32
`

// Tag is one variable of the controller.
type Tag struct {
	Name     string  // block and field that it stands for
	Type     string  // bool, int16 … uint64, float32, float64, text
	Address  int     // zero-based register
	Bit      int     // of a bool
	Length   int     // of a text
	Scale    float64 // number in Unit = number × Scale
	Unit     string
	Writable bool   // by the gateway
	Node     string // of OPC UA

	block string
	reg   int
	kind  string
	steps float64
}

// Registers of the two areas.
const (
	firstOwn   = 200  // of the controller
	firstGiven = 3000 // of the gateway
)

const (
	tagLetters = 16
	namespace  = "ns=2;s="
)

// Tags lists the variables of a controller that lacks those named.
func Tags(without ...string) []Tag {
	var out []Tag
	own, given, flags := firstOwn, firstGiven, -1
	for line := range strings.Lines(fields) {
		f := strings.Fields(line)
		if len(f) == 0 || slices.Contains(without, f[0]) {
			continue
		}
		block, _, _ := strings.Cut(f[0], ".")
		t := Tag{Name: f[0], Scale: 1, Bit: -1, Node: namespace + f[0], block: block, kind: f[2], steps: 1}
		t.reg, _ = strconv.Atoi(f[1]) // the table is the program's own
		if len(f) == 5 {
			t.steps, _ = strconv.ParseFloat(f[4], 64)
			if f[3] != "-" {
				t.Unit = f[3]
			}
		}
		t.Writable = block != "request" && block != "outcome"
		t.Type, t.Scale = typeOf(&t)
		at := &own
		if t.Writable {
			at = &given
		}
		switch {
		case t.Type == "bool":
			t.Bit, _ = strconv.Atoi(t.kind[1:])
			if flags < 0 {
				flags = *at
				*at++
			}
			t.Address = flags
		default:
			if t.Type == "text" {
				t.Length = tagLetters
			}
			t.Address = *at
			*at += t.registers()
		}
		out = append(out, t)
	}
	return out
}

// typeOf gives each kind of quantity a type of its own, so that every type is
// on the wire.
func typeOf(t *Tag) (string, float64) {
	switch {
	case t.kind == "text":
		return "text", 1
	case t.kind[0] == 'b':
		return "bool", 1
	case strings.HasSuffix(t.Name, "tick") || strings.Contains(t.Name, ".tick_"):
		return "uint32", 0.01
	case t.Unit == "s":
		return "float64", 1
	case t.Unit == "°C":
		return "int16", 0.1
	case t.Unit == "kg" || t.Unit == "mm" && t.steps > 1 || t.Unit == "Hz":
		return "float32", 1
	case t.Unit == "kPa":
		return "int32", 1 / t.steps
	case t.steps > 1:
		return "float32", 1
	case strings.HasSuffix(t.Name, "roll_no"):
		return "uint64", 1
	case strings.HasSuffix(t.Name, "req_id"):
		return "int64", 1
	case t.kind == "u32":
		return "uint32", 1
	}
	return "uint16", 1
}

// width is the bits of a numeric type.
func (t *Tag) width() int {
	n := 16
	for _, w := range []int{32, 64} {
		if strings.HasSuffix(t.Type, strconv.Itoa(w)) {
			n = w
		}
	}
	return n
}

func (t *Tag) registers() int {
	if t.Type == "text" {
		return t.Length / 2
	}
	return t.width() / 16
}
