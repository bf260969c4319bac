package inspect

import (
	"errors"
	"math/bits"
	"slices"

	"lapgate/gateway/handshake"
)

// blockOrder is how the registers of a block stand otherwise than the handshake has
// them. The zero value is as the handshake has them.
type blockOrder struct {
	exchanged bool   // the bytes of each register
	word      string // order of numbers of 32 bits, empty for the first of OrderNames
	text      bool   // the two characters of a register
}

// String tells people what is otherwise.
func (o blockOrder) String() string {
	s := "word order " + o.word
	if o.word == "" {
		s = "word order " + OrderNames()[0]
	}
	if o.exchanged {
		s += ", the bytes of each register exchanged"
	}
	if o.text {
		s += ", the characters of texts exchanged"
	}
	return s
}

// straight are the registers of a request block as the handshake has them.
func (o blockOrder) straight(words []uint16) []uint16 {
	out := slices.Clone(words)
	if o.exchanged {
		exchange(out)
	}
	for _, f := range handshake.Fields(handshake.REQ) {
		at := out[f.Register : f.Register+f.Words]
		switch {
		case f.Kind == handshake.FormText && o.text:
			exchange(at)
		case f.Kind == handshake.FormU32 && o.word != "":
			i := slices.Index(OrderNames(), o.word)
			v := wordOrders()[i].of(at[0], at[1])
			at[0], at[1] = uint16(v>>16), uint16(v)
		}
	}
	return out
}

func exchange(words []uint16) {
	for i, w := range words {
		words[i] = bits.ReverseBytes16(w)
	}
}

// blockOrders are the orders in which a request block is looked for.
func blockOrders() (out []blockOrder) {
	for _, exchanged := range []bool{false, true} {
		for i, word := range OrderNames() {
			if i == 0 {
				word = ""
			}
			for _, text := range []bool{false, true} {
				out = append(out, blockOrder{exchanged, word, text})
			}
		}
	}
	return out
}

// recognise decodes a request block in whatever order it stands. The error is that of
// the order whose type word holds, else of that of the handshake.
func recognise(words []uint16) (r handshake.Request, o blockOrder, err error) {
	if len(words) != handshake.ReqWords {
		return r, o, handshake.DecodeRequest(words, &r)
	}
	for _, o := range blockOrders() {
		e := handshake.DecodeRequest(o.straight(words), &r)
		if e == nil {
			return r, o, nil
		}
		if err == nil || causeOf(err) == handshake.CauseType && causeOf(e) != handshake.CauseType {
			err = e
		}
	}
	return r, o, err
}

func causeOf(err error) string {
	var e *handshake.DecodeError
	if errors.As(err, &e) {
		return e.Cause
	}
	return ""
}

// torn reports whether a block may have been caught while it was written.
func torn(err error) bool {
	c := causeOf(err)
	return c == handshake.CauseGeneration || c == handshake.CauseCRC
}

// begins reports whether a request block may begin with these words: its type word, in
// either order of bytes, and a version of the layout behind it.
func begins(words []uint16) bool {
	var first [handshake.ReqWords]uint16
	if err := (&handshake.Request{}).Encode(first[:]); err != nil {
		return false
	}
	for _, exchanged := range []bool{false, true} {
		head := slices.Clone(words[:min(2, len(words))])
		if exchanged {
			exchange(head)
		}
		if head[0] == first[0] && (len(head) == 1 || head[1] != 0 && head[1] <= first[1]) {
			return true
		}
	}
	return false
}
