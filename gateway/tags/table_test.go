package tags_test

import (
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/tags"
)

// A table of tags follows the rules of every table: any separator, and # before
// the header alone.
func TestReadTable(t *testing.T) {
	for name, text := range map[string]string{
		"commas":     "# exported\nfield,type,register,address,bit\nrequest.diameter,float32,40108,,\nrequest.flags.bit5,BOOL,,0xC8,5\n",
		"semicolons": "Field;Type;Register;Address;Bit\r\nrequest.diameter;float32;40108;;\r\nrequest.flags.bit5;bool;;200;5\r\n",
	} {
		rows, err := tags.ReadTable("t.csv", strings.NewReader(text))
		if err != nil || len(rows) != 2 || rows[0].Address != 107 || rows[0].Notation != "register" || rows[1].Address != 200 || rows[1].Bit != 5 || rows[1].Type != tags.Bool || rows[1].Scale != 1 {
			t.Errorf("%s: %+v with %v", name, rows, err)
		}
	}
}

func TestReadTableProblems(t *testing.T) {
	const text = "field,type,register,address,node,scale,bit\n" +
		"#.width,float32,T00004,,,,\n" +
		"a,float32,,0xZZ,,0,16\n" +
		"b,float32,40001,1,,,\n" +
		",float32,107,,,,\n"
	want := []string{
		`t.csv:2:17: register: it is no number of this column (got "T00004", want a whole number from 0 to 1048576)`,
		`t.csv:3:12: address: it is no number of this column (got "0xZZ", want an address from 0x0 to 0xFFFF)`,
		`t.csv:3:18: scale: it is not above zero (got "0")`,
		`t.csv:3:20: bit: it is no number of this column (got "16", want a whole number from 0 to 15)`,
		`t.csv:4:17: address: more than one address (got register and address); keep one of them`,
		`t.csv:5:1: field: the cell is empty (want a value)`,
		`t.csv:5:10: register: not the number of a holding register (got 107`,
	}
	_, err := tags.ReadTable("t.csv", strings.NewReader(text))
	if err == nil {
		t.Fatal("no error")
	}
	got := slices.DeleteFunc(strings.Split(err.Error(), "\n"), func(line string) bool { return !strings.HasPrefix(line, "t.csv") })
	if len(got) != len(want) {
		t.Errorf("%d problems, want %d:\n%v", len(got), len(want), err)
	}
	for i := range min(len(got), len(want)) {
		if !strings.HasPrefix(got[i], want[i]) {
			t.Errorf("got  %s\nwant %s", got[i], want[i])
		}
	}
}
