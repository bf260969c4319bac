package handshake

import (
	"fmt"
	"strings"
)

// Tag is the tag of a roll as it stands in the registers: any bytes, without the
// zeros at the end. It goes back over the wire as it is; people see String.
type Tag string

// String is the tag for people. It ends at the first zero, and a byte that is no
// printable ASCII is escaped, as \x9F.
func (t Tag) String() string {
	text := t.text()
	if !t.Strange() {
		return text
	}
	var out strings.Builder
	for i := range len(text) {
		if c := text[i]; printable(c) {
			out.WriteByte(c)
		} else {
			fmt.Fprintf(&out, `\x%02X`, c)
		}
	}
	return out.String()
}

// Strange reports whether the text of the tag holds a byte that is no printable
// ASCII. What stands behind the first zero is no part of it.
func (t Tag) Strange() bool {
	text := t.text()
	for i := range len(text) {
		if !printable(text[i]) {
			return true
		}
	}
	return false
}

func (t Tag) text() string {
	text, _, _ := strings.Cut(string(t), "\x00")
	return text
}

func printable(c byte) bool { return c >= ' ' && c <= '~' }
