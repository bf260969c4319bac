package handshake

import (
	"bytes"
	"encoding/binary"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// FuzzDecode gives any words to every decoder: none panics, and what one
// accepts comes back the same when it is encoded again. Words that would fail
// on the checksum alone are sealed and tried once more, so that the fuzzer
// reaches behind it.
func FuzzDecode(f *testing.F) {
	for name, words := range exampleWords(f) {
		for _, id := range IDs() {
			if id.String() == name {
				f.Add(uint8(id), bytesOf(words))
			}
		}
	}
	for _, id := range IDs() {
		f.Add(uint8(id), bytesOf(emptyWords(f, id)))
	}
	f.Fuzz(func(t *testing.T, n uint8, data []byte) {
		id := ID(int(n) % Blocks)
		words := make([]uint16, len(data)/2)
		for i := range words {
			words[i] = binary.BigEndian.Uint16(data[2*i:])
		}
		check := func() {
			got, err := roundTrip(id, words)
			if err == nil && !slices.Equal(got, words) {
				t.Fatalf("%s:\n  in %04X\n out %04X", id, words, got)
			}
		}
		check()
		if len(words) == Words(id) {
			seal(words)
			check()
		}
	})
}

func bytesOf(words []uint16) []byte {
	var out []byte
	for _, w := range words {
		out = binary.BigEndian.AppendUint16(out, w)
	}
	return out
}

func TestAnyRequestComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.Make[Request]().Draw(t, "request")
		r.Tag = anyTag(t)
		r.GenTail = r.GenHead
		words := make([]uint16, ReqWords)
		if err := r.Encode(words); err != nil {
			t.Fatal(err)
		}
		var got Request
		if err := DecodeRequest(words, &got); err != nil {
			t.Fatal(err)
		}
		if got != r {
			t.Fatalf("got %+v\nwant %+v", got, r)
		}
	})
}

// anyTag draws any bytes that end with none of zero.
func anyTag(t *rapid.T) Tag {
	b := rapid.SliceOfN(rapid.Byte(), 0, TagLen).Draw(t, "tag")
	return Tag(bytes.TrimRight(b, "\x00"))
}

func TestAnyPayloadAndOutcomeComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Make[Payload]().Draw(t, "payload")
		p.Tag = anyTag(t)
		words := make([]uint16, PayloadWords)
		if err := p.Encode(words); err != nil {
			t.Fatal(err)
		}
		var got Payload
		if err := DecodePayload(words, &got); err != nil || got != p {
			t.Fatalf("got %+v, %v\nwant %+v", got, err, p)
		}
		o := rapid.Make[Outcome]().Draw(t, "outcome")
		words = words[:OutWords]
		if err := o.Encode(words); err != nil {
			t.Fatal(err)
		}
		var gotOut Outcome
		if err := DecodeOutcome(words, &gotOut); err != nil || gotOut != o {
			t.Fatalf("got %+v, %v\nwant %+v", gotOut, err, o)
		}
	})
}
