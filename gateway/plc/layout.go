package plc

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Variable is one variable of the program where it stands in a data block of a
// controller that wants its data laid out by hand.
type Variable struct {
	Block  string `json:"block"`  // exchange, retained, machine or work
	Name   string `json:"name"`   // members of a structure after a dot
	Offset string `json:"offset"` // bytes from the start of the block; the first element of an array
	Type   string `json:"type"`   // BOOL, INT, WORD or DINT, of arrays the element
	Count  string `json:"count"`  // elements, 1 for a number
	Bytes  string `json:"bytes"`  // of all elements
}

var (
	programText  = regexp.MustCompile(`(?s)\nPROGRAM LG_Line\n(.*?)\n  END_VAR\n\n`)
	typeText     = regexp.MustCompile(`(?s)\nTYPE\n(.*?)\nEND_TYPE\n`)
	structType   = regexp.MustCompile(`(?ms)^  (LG_\w+) : STRUCT\n(.*?)\n  END_STRUCT;`)
	declaration  = regexp.MustCompile(`^ +(\w+) : ([^;:]+?)( :=.*)?;?$`)
	arrayOf      = regexp.MustCompile(`^ARRAY \[(\d+)\.\.(\d+)\] OF (\w+)$`)
	elementBytes = map[string]int{"BOOL": 1, "INT": 2, "WORD": 2, "DINT": 4}
)

// blocks are the data blocks in order, and which variables stand in them.
var blocks = []struct {
	name string
	has  *regexp.Regexp
}{
	{"exchange", regexp.MustCompile(`^(req|limits|heartbeat|hello|payload|commit|ack)$`)},
	{"retained", regexp.MustCompile(`^(out|banks)$`)},
	{"machine", regexp.MustCompile(`^(meas|stand|used)([.A-Z]|$)|^(low|high)Limits$|^permissive$|^want`)},
	{"work", regexp.MustCompile(``)},
}

// Layout lists the variables of a program that Program returned, block by
// block, with the bytes at which they stand. A BOOL takes a byte, and all else
// begins at an even one. Constants, inputs and outputs at addresses, and the
// instance of the first form are not in it.
func Layout(program string) ([]Variable, error) {
	found := programText.FindStringSubmatch(program)
	if found == nil {
		return nil, fmt.Errorf("the program has no LG_Line, whose data could be laid out")
	}
	types := typesOf(program)
	var names []variable
	constants := false
	for line := range strings.Lines(comment.ReplaceAllString(found[1], "")) {
		line = strings.TrimRight(line, " \n")
		if strings.HasPrefix(strings.TrimSpace(line), "VAR") {
			constants = strings.HasSuffix(line, " CONSTANT")
		}
		m := declaration.FindStringSubmatch(line)
		if constants || m == nil || strings.Contains(line, " AT ") || m[2] == "LG_Handshake" {
			continue
		}
		members, err := types.members(m[1], m[2])
		if err != nil {
			return nil, err
		}
		names = append(names, members...)
	}
	return placed(names), nil
}

// variable is a number or an array of numbers.
type variable struct {
	name, typ string
	count     int
}

func placed(names []variable) []Variable {
	var out []Variable
	taken := map[string]bool{}
	for _, b := range blocks {
		at := 0
		for _, v := range names {
			if taken[v.name] || !b.has.MatchString(v.name) {
				continue
			}
			taken[v.name] = true
			size := elementBytes[v.typ]
			if size > 1 {
				at += at % 2
			}
			out = append(out, Variable{b.name, v.name, strconv.Itoa(at), v.typ, strconv.Itoa(v.count), strconv.Itoa(v.count * size)})
			at += v.count * size
		}
	}
	return out
}

// declaredTypes are the types of the first form, by name.
type declaredTypes struct {
	arrays  map[string]string
	structs map[string]string
}

func typesOf(program string) declaredTypes {
	t := declaredTypes{map[string]string{}, map[string]string{}}
	found := typeText.FindStringSubmatch(program)
	if found == nil {
		return t
	}
	text := comment.ReplaceAllString(found[1], "")
	for line := range strings.Lines(text) {
		if m := declaration.FindStringSubmatch(strings.TrimRight(line, " \n")); m != nil && strings.HasPrefix(m[1], "LG_") {
			t.arrays[m[1]] = m[2]
		}
	}
	for _, m := range structType.FindAllStringSubmatch(text, -1) {
		t.structs[m[1]] = m[2]
	}
	return t
}

// members resolves a declared type into numbers and arrays of them.
func (t declaredTypes) members(name, typ string) ([]variable, error) {
	if body, ok := t.structs[typ]; ok {
		var out []variable
		for line := range strings.Lines(body) {
			m := declaration.FindStringSubmatch(strings.TrimRight(line, " \n"))
			if m == nil {
				continue
			}
			inner, err := t.members(name+"."+m[1], m[2])
			if err != nil {
				return nil, err
			}
			out = append(out, inner...)
		}
		return out, nil
	}
	if named, ok := t.arrays[typ]; ok {
		typ = named
	}
	v := variable{name, typ, 1}
	if m := arrayOf.FindStringSubmatch(typ); m != nil {
		first, _ := strconv.Atoi(m[1])
		last, _ := strconv.Atoi(m[2])
		v.typ, v.count = m[3], last-first+1
	}
	if elementBytes[v.typ] == 0 {
		return nil, fmt.Errorf("variable %s of the program is of type %s, whose size is not known", name, typ)
	}
	return []variable{v}, nil
}
