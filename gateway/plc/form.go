package plc

import (
	"fmt"
	"regexp"
	"strings"
)

// What the two forms write differently stands in the template as a section of
// one form, from @first@ or @second@ to @end@, or as a line that is expanded:
// a name of the list below with what it works on.
var (
	sections = regexp.MustCompile(`(?ms)^@(first|second)@\n(.*?)^@end@\n`)
	expanded = regexp.MustCompile(`(?m)^( *)@([a-z]+)((?: [^@\n ]+)*)@\n`)
	operator = regexp.MustCompile(`([*+])`)
	// In the second form there are no structures and no instance.
	member   = regexp.MustCompile(`\b(meas|stand|used)\.([a-z])`)
	instance = regexp.MustCompile(`\bhs\.`)
)

// shaped writes the template for a form.
func (p *program) shaped(template string, form Form) string {
	template = sections.ReplaceAllStringFunc(template, func(s string) string {
		m := sections.FindStringSubmatch(s)
		if (m[1] == "first") != (form == First) {
			return ""
		}
		return m[2]
	})
	template = expanded.ReplaceAllStringFunc(template, func(line string) string {
		m := expanded.FindStringSubmatch(line)
		write := expansions[m[2]]
		if write == nil {
			return line
		}
		args := strings.Fields(operator.ReplaceAllString(m[3], "\x00$1\x00"))
		for i := range args {
			args[i] = strings.ReplaceAll(args[i], "\x00", " ")
		}
		if len(args) != write.args {
			p.unknown = append(p.unknown, fmt.Errorf("mark %s has %d operands, want %d", strings.TrimSpace(line), len(args), write.args))
			return line
		}
		var out strings.Builder
		for text := range strings.Lines(write.of(form, args)) {
			out.WriteString(m[1] + text)
		}
		return out.String()
	})
	zero := "WORD#0"
	if form == Second {
		zero = "0"
		template = instance.ReplaceAllString(template, "")
		template = member.ReplaceAllStringFunc(template, func(s string) string {
			head, tail, _ := strings.Cut(s, ".")
			return head + strings.ToUpper(tail)
		})
	}
	return strings.ReplaceAll(template, "@zero@", zero)
}

// expansion writes what one line of the template stands for.
type expansion struct {
	args int
	of   func(form Form, args []string) string
}

var expansions = map[string]*expansion{
	"get":     {2, func(f Form, a []string) string { return getRegister(f, a[0], a[1]) }},
	"put":     {2, func(f Form, a []string) string { return putRegister(f, a[0], a[1]) }},
	"crc":     {1, func(f Form, a []string) string { return checksum(f, a[0]) }},
	"copy":    {3, copyBlock},
	"clear":   {2, func(_ Form, a []string) string { return clearBlock(a[0], a[1]) }},
	"up":      {1, func(_ Form, a []string) string { return increment(a[0]) }},
	"age":     {1, func(_ Form, a []string) string { return age(a[0]) }},
	"split":   {3, func(_ Form, a []string) string { return split(a[0], a[1], a[2]) }},
	"fit":     {1, func(_ Form, a []string) string { return fit(a[0]) }},
	"waiting": {0, func(Form, []string) string { return outcomesWaiting }},
}

// getRegister reads a register as a number 0 to 65535.
func getRegister(f Form, to, from string) string {
	if f == First {
		return fmt.Sprintf("%s := WORD_TO_DINT(%s);\n", to, from)
	}
	return fmt.Sprintf("%s := INT_TO_DINT(%s);\nIF %[1]s < 0 THEN\n  %[1]s := %[1]s + 65536;\nEND_IF;\n", to, from)
}

// putRegister writes a number 0 to 65535 into a register.
func putRegister(f Form, to, from string) string {
	if f == First {
		return fmt.Sprintf("%s := DINT_TO_WORD(%s);\n", to, from)
	}
	return fmt.Sprintf("IF %[2]s > 32767 THEN\n  %[1]s := DINT_TO_INT(%[2]s - 65536);\nELSE\n  %[1]s := DINT_TO_INT(%[2]s);\nEND_IF;\n", to, from)
}

// checksum computes sumHigh and sumLow over the first words of work.
func checksum(f Form, covered string) string {
	if f == First {
		return fmt.Sprintf("crc(words := work, covered := %s);\nsumHigh := crc.high;\nsumLow := crc.low;\n", covered)
	}
	xor := func(a, b string) string {
		return fmt.Sprintf("XOR_HALVES[%s / 16 * 16 + %s / 16] * 16 + XOR_HALVES[%[1]s MOD 16 * 16 + %[2]s MOD 16]", a, b)
	}
	var out strings.Builder
	out.WriteString("c0 := 255;\nc1 := 255;\nc2 := 255;\nc3 := 255;\n")
	fmt.Fprintf(&out, "FOR x := 0 TO 2 * %s - 1 DO\n", covered)
	out.WriteString("  IF x MOD 2 = 0 THEN\n    y := DINT_TO_INT(work[x / 2] / 256);\n  ELSE\n    y := DINT_TO_INT(work[x / 2] MOD 256);\n  END_IF;\n")
	fmt.Fprintf(&out, "  y := %s;\n", xor("c0", "y"))
	for i, table := range []string{"CRC_FIRST", "CRC_SECOND", "CRC_THIRD"} {
		fmt.Fprintf(&out, "  half := %s[y];\n  c%d := %s;\n", table, i, xor(fmt.Sprintf("c%d", i+1), "half"))
	}
	out.WriteString("  c3 := CRC_FOURTH[y];\nEND_FOR;\n")
	out.WriteString("sumHigh := INT_TO_DINT(255 - c3) * 256 + INT_TO_DINT(255 - c2);\n")
	out.WriteString("sumLow := INT_TO_DINT(255 - c1) * 256 + INT_TO_DINT(255 - c0);\n")
	return out.String()
}

// copyBlock copies a block of the gateway and tells whether it changed.
func copyBlock(f Form, a []string) string {
	name, id, changed := a[0], a[1], a[2]
	get := strings.TrimSuffix(strings.ReplaceAll(getRegister(f, "v", name+"[i]"), "\n", "\n  "), "  ")
	return fmt.Sprintf("%[3]s := FALSE;\nFOR i := 0 TO %[2]s_WORDS - 1 DO\n  %[4]s  IF v <> area[G_%[2]s + i] THEN\n    area[G_%[2]s + i] := v;\n    %[3]s := TRUE;\n  END_IF;\nEND_FOR;\n",
		name, id, changed, get)
}

func clearBlock(name, id string) string {
	return fmt.Sprintf("FOR i := 0 TO %[2]s_WORDS - 1 DO\n  %[1]s[i] := @zero@;\n  area[G_%[2]s + i] := 0;\nEND_FOR;\n", name, id)
}

// increment counts a number of two registers up.
func increment(at string) string {
	return fmt.Sprintf("state[%[1]s + 1] := (state[%[1]s + 1] + 1) MOD 65536;\nIF state[%[1]s + 1] = 0 THEN\n  state[%[1]s] := (state[%[1]s] + 1) MOD 65536;\nEND_IF;\n", at)
}

// age lets a time go on, up to the most that a register holds.
func age(what string) string {
	return fmt.Sprintf("%[1]s := %[1]s + passed;\nIF %[1]s > 65535 THEN\n  %[1]s := 65535;\nEND_IF;\n", what)
}

// split writes a number into two registers, and 0 for one below.
func split(array, at, what string) string {
	return fmt.Sprintf("number := %[3]s;\nIF number < 0 THEN\n  number := 0;\nEND_IF;\n%[1]s[%[2]s] := number / 65536;\n%[1]s[%[2]s + 1] := number MOD 65536;\n", array, at, what)
}

// fit cuts what the machine gave to what a register holds.
func fit(words string) string {
	return fmt.Sprintf("FOR i := 0 TO %s - 1 DO\n  IF work[i] < 0 THEN\n    work[i] := 0;\n  ELSIF work[i] > 65535 THEN\n    work[i] := 65535;\n  END_IF;\nEND_FOR;\n", words)
}

const outcomesWaiting = `high := state[REQ_OUTCOMES_PRODUCED] - state[REQ_OUTCOMES_ACKED];
waiting := state[REQ_OUTCOMES_PRODUCED + 1] - state[REQ_OUTCOMES_ACKED + 1];
IF high = 1 THEN
  waiting := waiting + 65536;
ELSIF high > 1 THEN
  waiting := 65536;
ELSIF high < 0 THEN
  waiting := -1;
END_IF;
`
