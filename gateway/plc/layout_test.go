package plc

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
)

// TestLayoutIsThatOfTheProgram compares a data block with the blocks on the wire,
// the bytes that the text states as retentive, and the other form.
func TestLayoutIsThatOfTheProgram(t *testing.T) {
	var machine [2]string
	for i, f := range forms {
		text := read(t, f.file)
		rows, err := Layout(text)
		if err != nil {
			t.Fatal(err)
		}
		at := map[string]int{}
		retained := 0
		for _, r := range rows {
			if n := integer(t, r.Offset); n < at[r.Block] || n > at[r.Block]+1 {
				t.Errorf("%s: %s %s begins at %d, the one before ends at %d", f.file, r.Block, r.Name, n, at[r.Block])
			}
			at[r.Block] = integer(t, r.Offset) + integer(t, r.Bytes)
			switch r.Block {
			case "exchange":
				for _, id := range handshake.IDs() {
					if strings.EqualFold(id.String(), r.Name) && integer(t, r.Count) != handshake.Words(id) {
						t.Errorf("%s: %s has %s words, want %d", f.file, r.Name, r.Count, handshake.Words(id))
					}
				}
			case "retained":
				retained += integer(t, r.Bytes)
			case "machine":
				machine[i] += strings.ToLower(strings.ReplaceAll(r.Name, ".", "")) + " " + r.Offset + " " + r.Type + " " + r.Count + "\n"
			}
		}
		if !strings.Contains(text, fmt.Sprintf("must be retentive: %d bytes", retained)) && !strings.Contains(text, fmt.Sprintf("where they stand: %d bytes", retained)) {
			t.Errorf("%s: the text does not state the %d bytes that are retained", f.file, retained)
		}
		if at["exchange"] == 0 || at["machine"] == 0 || at["work"] == 0 {
			t.Errorf("%s: a block is empty: %v", f.file, at)
		}
	}
	if machine[0] != machine[1] {
		t.Errorf("what the machine gives stands differently:\n%s\n%s", machine[0], machine[1])
	}
}

func integer(t *testing.T, text string) int {
	t.Helper()
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestLayoutRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"no program": "has no LG_Line",
		"\nPROGRAM LG_Line\n  VAR\n    x : LREAL;\n  END_VAR\n\n": "variable x of the program is of type LREAL",
	} {
		if _, err := Layout(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
