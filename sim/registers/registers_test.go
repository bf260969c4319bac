package registers_test

import (
	"testing"

	"lapgate/sim/registers"
)

// Every register of a block belongs to one field at most, and none lies outside
// of the block or on its type, layout or checksum.
func TestFieldsStandApart(t *testing.T) {
	for _, b := range registers.Blocks() {
		s := b.Shape()
		owner := map[int]string{0: "type", s.Words - 2: "checksum", s.Words - 1: "checksum"}
		if s.Layout {
			owner[1] = "layout"
		}
		for i := range s.Fields {
			f := &s.Fields[i]
			for k := range f.Count * f.Registers() {
				at := f.Register + k
				if at < 0 || at >= s.Words {
					t.Errorf("%s %s: register %d is outside of %d words", b, f.Name, at, s.Words)
				}
				if other, taken := owner[at]; taken {
					t.Errorf("%s: %s and %s share register %d", b, f.Name, other, at)
				}
				owner[at] = f.Name
			}
		}
	}
}

// What is put is got, at the ends of the range of each form.
func TestPutIsGot(t *testing.T) {
	for _, b := range registers.Blocks() {
		s := b.Shape()
		words := make([]uint16, s.Words)
		v := registers.In(b, words)
		v.Begin()
		for i := range s.Fields {
			f := &s.Fields[i]
			if f.Form == registers.Text {
				v.PutLetters(f.Name, [registers.TagLetters]byte{'A', 'b', 15: 'z'})
				if got := v.Letters(f.Name); got[0] != 'A' || got[1] != 'b' || got[15] != 'z' {
					t.Errorf("%s %s: got %q", b, f.Name, got)
				}
				continue
			}
			least, most := f.Range()
			for k := range f.Count {
				for _, n := range []int64{least, most, 1} {
					if f.PutNumber(words, k, n); f.Number(words, k) != n {
						t.Errorf("%s %s: got %d, want %d", b, f.Name, f.Number(words, k), n)
					}
				}
			}
		}
		if v.Whole() {
			t.Errorf("%s is whole without its checksum", b)
		}
		if v.Seal(); !v.Whole() || !v.LayoutKnown() {
			t.Errorf("%s is not whole with its checksum", b)
		}
		words[2] ^= 1
		if v.Whole() {
			t.Errorf("%s is whole with a changed word", b)
		}
	}
}
