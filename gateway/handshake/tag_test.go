package handshake

import (
	"slices"
	"testing"
)

// TestTags holds section 4: a text ends at the first zero, a byte that is not 20
// to 7E is escaped for people and makes the tag strange, and all eight words are
// echoed as they stand.
func TestTags(t *testing.T) {
	for _, tt := range []struct {
		words   [TagLen / 2]uint16
		text    string
		strange bool
	}{
		{[8]uint16{}, "", false},
		{[8]uint16{0x5231}, "R1", false},
		{[8]uint16{0x527E, 0x2000}, "R~ ", false},
		{[8]uint16{0x5231, 0x0041, 0x9F00, 7: 0x0042}, "R1", false}, // behind the end
		{[8]uint16{0x0052}, "", false},
		{[8]uint16{0x529F}, `R\x9F`, true},
		{[8]uint16{0x527F, 0x1F41}, `R\x7F\x1FA`, true},
		{[8]uint16{0x52C3, 0x8431}, `R\xC3\x841`, true}, // UTF-8 is bytes
		{[8]uint16{0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF},
			`\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF`, true},
	} {
		words := emptyWords(t, REQ)
		copy(words[22:30], tt.words[:])
		seal(words)
		var r Request
		if err := DecodeRequest(words, &r); err != nil {
			t.Errorf("%04X: %v", tt.words, err)
			continue
		}
		if r.Tag.String() != tt.text || r.Tag.Strange() != tt.strange {
			t.Errorf("%04X: tag %q, strange %v, want %q, %v", tt.words, r.Tag.String(), r.Tag.Strange(), tt.text, tt.strange)
		}
		payload := make([]uint16, PayloadWords)
		if err := (&Payload{Tag: r.Tag}).Encode(payload); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(payload[21:29], tt.words[:]) {
			t.Errorf("%04X is echoed as %04X", tt.words, payload[21:29])
		}
	}
}
