package plc

import (
	"flag"
	"hash/crc32"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

var update = flag.Bool("update", false, "write the controller's program anew")

const templateFile = "../../configs/controller/lapgate.st.tmpl"

// forms are the programs beside the protocol's description.
var forms = []struct {
	form Form
	file string
}{
	{First, "../../configs/controller/lapgate.st"},
	{Second, "../../configs/controller/lapgate-second.st"},
}

// defaults are the settings of the reference configuration.
func defaults() Settings {
	base := map[handshake.ID]int{
		handshake.REQ: 1000, handshake.OUT: 1200, handshake.HEARTBEAT: 4000, handshake.HELLO: 4010,
		handshake.PAYLOAD: 4030, handshake.COMMIT: 4120, handshake.ACK: 4140, handshake.LIMITS: 4200,
	}
	return Settings{
		Permissives: 0x3F, CommitTTL: 2 * time.Second,
		HeartbeatLoss: 2500 * time.Millisecond, Publication: 100 * time.Millisecond,
		Address: func(id handshake.ID, _ int) int { return base[id] },
	}
}

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func generate(t *testing.T, form Form, s Settings) string {
	t.Helper()
	text, err := Program(read(t, templateFile), form, s)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// TestProgramHasNotDrifted holds the committed programs to the tables.
func TestProgramHasNotDrifted(t *testing.T) {
	for _, f := range forms {
		got := generate(t, f.form, defaults())
		if *update {
			if err := os.WriteFile(f.file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want := strings.Split(read(t, f.file), "\n")
		for i, line := range strings.Split(got, "\n") {
			if i >= len(want) || line != want[i] {
				t.Fatalf("%s differs from the tables and the template from line %d on: generated %q; write it anew with go test ./gateway/plc -update",
					f.file, i+1, line)
			}
		}
		if n := len(strings.Split(got, "\n")); n != len(want) {
			t.Errorf("%s has %d lines, generated are %d", f.file, len(want), n)
		}
	}
}

// code is a program without its comments and the texts in it.
func code(text string) string {
	return regexp.MustCompile(`'(\$.|[^'$])*'`).ReplaceAllString(comment.ReplaceAllString(text, ""), "''")
}

// declared reads the constants of a committed program back.
func declared(t *testing.T, file string) map[string]string {
	t.Helper()
	row := regexp.MustCompile(`(?m)^    ([A-Z][A-Z0-9_]+) : (INT|DINT) := ([0-9]+);$`)
	out := map[string]string{}
	for _, m := range row.FindAllStringSubmatch(read(t, file), -1) {
		if old, ok := out[m[1]]; ok && old != m[3] {
			t.Errorf("%s is %s and %s", m[1], old, m[3])
		}
		out[m[1]] = m[3]
	}
	return out
}

// shortName is what the programs are to call the register of a field.
func shortName(id handshake.ID, f *handshake.FieldInfo) string {
	short := strings.NewReplacer("diameter", "dia", "temperature", "temp", "acknowledged", "acked")
	return id.String() + "_" + strings.ToUpper(short.Replace(f.Name))
}

// TestConstantsEqualTheBlocks reads every number of the programs as text and
// compares it with the codec, not with the generator's own list.
func TestConstantsEqualTheBlocks(t *testing.T) {
	want := map[string]int{
		"LAYOUT_VERSION": handshake.LayoutVersion, "RING_ENTRIES": handshake.OutEntries, "RING_MODULUS": handshake.OutEntries, "RING_ALARM": 48,
		"TAG_WORDS": handshake.TagLen / 2, "FIRST_SETPOINT": handshake.FirstSetpoint, "LAST_SETPOINT": 67,
		"TYPE_REQ": 0x5251, "TYPE_OUT": 0x4F55, "TYPE_HEARTBEAT": 0x4842, "TYPE_HELLO": 0x4845, "TYPE_PAYLOAD": 0x5041,
		"TYPE_COMMIT": 0x434D, "TYPE_ACK": 0x414B, "TYPE_LIMITS": 0x4C49,
		"REQ_WORDS": handshake.ReqWords, "OUT_WORDS": handshake.OutWords, "HEARTBEAT_WORDS": handshake.HeartbeatWords,
		"HELLO_WORDS": handshake.HelloWords, "PAYLOAD_WORDS": handshake.PayloadWords, "COMMIT_WORDS": handshake.CommitWords, "ACK_WORDS": handshake.AckWords,
		"LIMITS_WORDS": 80, "LIMITS_LAYOUT": 1, "LIMITS_GEN": 2, "LIMITS_LEAST": 4, "LIMITS_GREATEST": 39, "LIMITS_CRC": 78,
		"PHASE_EMPTY": int(handshake.Empty), "PHASE_AWAIT": int(handshake.Await), "PHASE_RUN": int(handshake.Run),
		"PHASE_HELD": int(handshake.Held), "PHASE_MANUAL": int(handshake.ByHand), "PHASE_FAULT": int(handshake.Fault),
		"VERDICT_ACCEPTED": int(handshake.Accepted), "VERDICT_REJECTED": int(handshake.Rejected), "VERDICT_HELD": int(handshake.HeldVerdict),
		"OUTCOME_WRAPPED": int(handshake.Wrapped), "OUTCOME_WRAPPED_BY_HAND": int(handshake.WrappedByHand), "OUTCOME_REMOVED": int(handshake.Removed),
		"OUTCOME_ABORTED": int(handshake.Aborted), "OUTCOME_UNKNOWN": int(handshake.Lost),
		"REASON_DAMAGED": 10, "REASON_OTHER_OFFER": 11, "REASON_WRONG_ROLL": 12, "REASON_TOO_LATE": 13, "REASON_NOT_ALIVE": 14,
		"REASON_PERMISSIVE": 20, "REASON_LIMIT": 60,
		"KIND_RECIPE": int(handshake.KindRecipe), "KIND_HOLD": int(handshake.KindHold),
		"FLAG_ALL_PERMISSIVES": int(handshake.AllPermissives), "FLAG_MEMORY_LOST": int(handshake.MemoryLost),
		"FLAG_MANUAL_SELECTED": int(handshake.ManualSelected), "FLAG_RING_FULL": int(handshake.RingFull),
		"FLAG_GATEWAY_ALIVE": int(handshake.GatewayAlive), "FLAG_DIMENSIONS_VALID": int(handshake.DimensionsValid),
		"FLAG_OPERATOR_MUST_ACK": int(handshake.OperatorMustAck), "FLAG_LIMITS_PUBLISHED": 128, "HEARTBEAT_HOLD_ALL": int(handshake.FlagHoldAll),
		// 4,000,000,000 and 1,048,576 in two registers each; 2026-01-01 in seconds
		// since 2020-01-01, with two leap years between.
		"EPOCH_MOST_HIGH": 61035, "EPOCH_MOST_LOW": 10240, "EPOCH_STEP_HIGH": 16, "EPOCH_STEP_LOW": 0, "CLOCK_LEAST": (6*365 + 2) * 86400,
		"TIME_MOST": 30000, "GROUP_HEADER": 16, "LIMIT_COUNT": 31,
		"FALL_NOT_ENTERED": 0, "FALL_OFF": 1, "FALL_ON": 2, "FALL_STAY": 3,
		"G_HEARTBEAT": 0, "G_HELLO": 10, "G_PAYLOAD": 20, "G_COMMIT": 100, "G_ACK": 114,
		// The banks are the program's own; what matters is that nothing overlaps.
		"BANK_PAYLOAD": 96, "BANK_SEQUENCE": 176, "BANK_RUN_START": 177, "BANK_HOLD_REASON": 179, "BANK_BITS": 180, "BANK_VALID": 181,
		"BANK_LIMITS_GEN": 182, "BANK_LIMITS_SUM": 183, "BANK_CRC": 185, "BANK_WORDS": 187,
	}
	for _, id := range handshake.IDs() {
		for _, f := range handshake.Fields(id) {
			if name := shortName(id, &f); f.Name != "type" && id != handshake.LIMITS {
				if _, twice := want[name]; twice {
					t.Errorf("two numbers are called %s", name)
				}
				want[name] = f.Register
			}
		}
	}
	for _, f := range forms {
		got := declared(t, f.file)
		if len(got) < 100 {
			t.Fatalf("only %d constants were found in %s", len(got), f.file)
		}
		for name, text := range got {
			w, ok := want[name]
			if !ok {
				t.Errorf("%s: %s is not a number of the protocol", f.file, name)
			} else if v, err := strconv.Atoi(text); err != nil || v != w {
				t.Errorf("%s: %s is %s, want %d", f.file, name, text, w)
			}
		}
	}
}

// TestEveryFieldOfTheControllerIsWritten finds a field of the controller's own
// blocks that the program forgot.
func TestEveryFieldOfTheControllerIsWritten(t *testing.T) {
	// The reason of an outcome is for lines that know one; a nonce is copied with
	// the epoch before it.
	free := map[string]bool{"type": true, "reason": true, "nonce": true, "active_nonce": true, "result_nonce": true}
	for _, file := range forms {
		text := read(t, file.file)
		for _, id := range []handshake.ID{handshake.REQ, handshake.OUT} {
			array := map[handshake.ID]string{handshake.REQ: "(state|work)", handshake.OUT: "work"}[id]
			for _, f := range handshake.Fields(id) {
				name := shortName(id, &f)
				if !free[f.Name] && !regexp.MustCompile(array+`\[`+name+`( \+ [i1k])?\] :=`).MatchString(text) {
					t.Errorf("%s: field %s of %s is never written", file.file, f.Name, id)
				}
			}
		}
	}
}

// numbers reads an array of constants of a program.
func numbers(t *testing.T, text, name string, base int) []uint32 {
	t.Helper()
	list := regexp.MustCompile(name + ` : [^;=]*:= \[([^]]*)\]`).FindStringSubmatch(comment.ReplaceAllString(text, ""))
	if list == nil {
		t.Fatalf("no array %s", name)
	}
	var out []uint32
	for field := range strings.SplitSeq(list[1], ",") {
		v, err := strconv.ParseUint(strings.TrimPrefix(strings.TrimSpace(field), "16#"), base, 32)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, uint32(v))
	}
	return out
}

// TestChecksumTables computes with the tables of the programs as text: the check
// value of CRC-32 is published (P).
func TestChecksumTables(t *testing.T) {
	first := numbers(t, read(t, forms[0].file), "CRC_TABLE", 16)
	if !slices.Equal(first, crc32.IEEETable[:]) {
		t.Fatalf("table of %d differs from that of the gateway", len(first))
	}
	second := read(t, forms[1].file)
	var bytes [4][]uint32
	for i, name := range []string{"CRC_FIRST", "CRC_SECOND", "CRC_THIRD", "CRC_FOURTH"} {
		bytes[i] = numbers(t, second, name, 10)
	}
	halves := numbers(t, second, "XOR_HALVES", 10)
	xor := func(a, b uint32) uint32 { return halves[a/16*16+b/16]*16 + halves[a%16*16+b%16] }
	checked := 0
	for row := range strings.Lines(read(t, "../../testdata/reference/wire.csv")) {
		cells := strings.Split(row, ",")
		if cells[0] != "crc32-ieee" {
			continue
		}
		crc := ^uint32(0)
		c := [4]uint32{255, 255, 255, 255}
		for _, b := range []byte(cells[1]) {
			crc = crc>>8 ^ first[byte(crc)^b]
			y := xor(c[0], uint32(b))
			c = [4]uint32{xor(c[1], bytes[0][y]), xor(c[2], bytes[1][y]), xor(c[3], bytes[2][y]), bytes[3][y]}
		}
		byDivision := (255-c[3])<<24 | (255-c[2])<<16 | (255-c[1])<<8 | (255 - c[0])
		for _, got := range []uint32{^crc, byDivision} {
			if got := strings.ToUpper(strconv.FormatUint(uint64(got), 16)); got != cells[2] {
				t.Errorf("check value of %s is %s, want %s (%s)", cells[1], got, cells[2], strings.TrimSpace(cells[3]))
			}
		}
		checked++
	}
	if checked == 0 {
		t.Error("wire.csv has no row for crc32-ieee")
	}
}

// TestLimitsAreTheMachines holds that no limit is delivered, that every setpoint
// has one to enter, and that nothing raises a temperature above the hottest.
func TestLimitsAreTheMachines(t *testing.T) {
	limited := map[string]bool{}
	for _, l := range limits() {
		limited[l.Name] = true
		hottest, _ := l.Nearest(recipe.HottestPlaten)
		if l.Unit == "°C" && (l.ceiling != hottest || hottest != 2000) {
			t.Errorf("%s may be raised to %d, want 2000", l.Name, l.ceiling)
		}
	}
	for _, f := range handshake.Fields(handshake.PAYLOAD) {
		if f.Register >= handshake.FirstSetpoint && f.Name != "crc" && !limited[f.Name] {
			t.Errorf("field %s has no limit", f.Name)
		}
	}
	for _, f := range forms {
		text := read(t, f.file)
		low, high := numbers(t, text, "lowLimits", 10), numbers(t, text, "highLimits", 10)
		if len(low) != 31 || len(high) != 31 {
			t.Errorf("%s: %d and %d limits", f.file, len(low), len(high))
		}
		for i := range low {
			if low[i] <= high[i] {
				t.Errorf("%s: limit %d is delivered as %d to %d, want none", f.file, i+1, low[i], high[i])
			}
		}
		var ceilings int
		for _, c := range numbers(t, text, "LIMIT_CEILING", 10) {
			if c == 2000 {
				ceilings++
			}
		}
		if ceilings != 3 {
			t.Errorf("%s: %d ceilings of 200.0 degrees C, want 3", f.file, ceilings)
		}
	}
}

// TestOneStatementTurnsOutputsOn holds the rule that is closest to people: one
// statement turns outputs on, after a press of start and in no other branch.
func TestOneStatementTurnsOutputsOn(t *testing.T) {
	for _, f := range forms {
		text := code(read(t, f.file))
		if n := strings.Count(text, "outputsOn := TRUE"); n != 1 {
			t.Errorf("%s: outputs are turned on in %d places", f.file, n)
		}
		if !strings.Contains(text, "IF onStart THEN\n      outputsOn := TRUE;\n    END_IF;") {
			t.Errorf("%s: outputs are turned on without a press of start", f.file)
		}
		for _, o := range outputs {
			if n := len(regexp.MustCompile(`\b`+o.name+` := want`).FindAllString(text, -1)); n != 1 {
				t.Errorf("%s: %s is driven in %d places", f.file, o.name, n)
			}
			if !strings.Contains(read(t, f.file), "(* CAUTION: "+o.caution+" *)\n    "+o.name+" AT %QX") {
				t.Errorf("%s: no caution beside %s", f.file, o.name)
			}
			state := "fall" + upperFirst(o.name)
			if got := strings.Contains(text, "    "+state+" : DINT := 0;"); got != o.maker {
				t.Errorf("%s: state to fall to of %s to be entered: %t, want %t", f.file, o.name, got, o.maker)
			}
		}
	}
}

// lineLength is the longest line of the program.
const lineLength = 110

func TestProgramIsPlain(t *testing.T) {
	for _, f := range forms {
		text := read(t, f.file)
		code := code(text)
		for i, line := range strings.Split(text, "\n") {
			if len(line) > lineLength {
				t.Errorf("%s: line %d has %d characters, want at most %d", f.file, i+1, len(line), lineLength)
			}
			if line != strings.TrimRight(line, " \t") || strings.Contains(line, "\t") {
				t.Errorf("%s: line %d holds a tab or ends with a space", f.file, i+1)
			}
			for _, c := range line {
				if c > 0x7E {
					t.Errorf("%s: line %d holds %q, which is not ASCII", f.file, i+1, c)
				}
			}
			if strings.Contains(line, "@") && !strings.HasPrefix(line, "      'P") && !strings.HasPrefix(line, "      ' !") {
				t.Errorf("%s: line %d holds a mark that was not filled in: %s", f.file, i+1, line)
			}
		}
		refused := []string{
			// Words of object orientation, references, unbounded loops, jumps and of
			// single vendors' dialects.
			"METHOD", "CLASS", "INTERFACE", "PROPERTY", "EXTENDS", "IMPLEMENTS", "THIS", "SUPER", "ABSTRACT", "POINTER", "REF_TO", "REFERENCE",
			"ADR", "SIZEOF", "WHILE", "REPEAT", "GOTO", "JMP", "CONTINUE", "RETURN", "LREAL", "REAL", "LINT", "ULINT", "LWORD", "NAMESPACE", "USING",
			"VAR_TEMP", "VAR_STAT", "PERSISTENT", "UNION", "BEGIN", "REGION", "DB", "WSTRING", "ANY", "BYTE_TO_CHAR",
		}
		if f.form == Second {
			refused = append(refused, "UINT", "UDINT", "USINT", "SINT", "BYTE", "WORD", "DWORD", "STRING", "STRUCT", "TYPE", "FUNCTION", "FUNCTION_BLOCK",
				"VAR_IN_OUT", "VAR_INPUT", "VAR_OUTPUT", "RETAIN", "SHL", "SHR", "ROL", "ROR", "XOR", "TIME")
			for _, name := range regexp.MustCompile(`\b[A-Za-z_][A-Za-z0-9_]*`).FindAllString(code, -1) {
				if len(name) > 24 {
					t.Errorf("%s: the name %s has %d letters, want at most 24", f.file, name, len(name))
				}
			}
		}
		for _, w := range refused {
			if regexp.MustCompile(`(?i)\b` + w + `\b`).MatchString(code) {
				t.Errorf("%s: the program uses %s", f.file, w)
			}
		}
		for _, bad := range []string{"//", "^", "{", "}", "#include", "?"} {
			if strings.Contains(code, bad) {
				t.Errorf("%s: the program holds %q", f.file, bad)
			}
		}
		balanced(t, f.file, code, f.form)
		if !strings.Contains(text, "not a safety function") {
			t.Errorf("%s: the program lacks its caution", f.file)
		}
	}
}

// balanced counts the words that open and close.
func balanced(t *testing.T, file, code string, form Form) {
	t.Helper()
	words := []string{"IF", "FOR", "VAR", "PROGRAM", "CONFIGURATION", "RESOURCE"}
	if form == First {
		words = append(words, "STRUCT", "FUNCTION_BLOCK", "TYPE")
	}
	for _, w := range words {
		open := len(regexp.MustCompile(`(?m)(^|[^A-Z_a-z])`+w+`([^A-Z_a-z]|$)`).FindAllString(code, -1))
		switch w {
		case "VAR":
			open = len(regexp.MustCompile(`(?m)^ +VAR(_INPUT|_OUTPUT|_IN_OUT| RETAIN| CONSTANT)?$`).FindAllString(code, -1))
		case "PROGRAM":
			open = len(regexp.MustCompile(`(?m)^PROGRAM `).FindAllString(code, -1))
		}
		if closed := len(regexp.MustCompile(`\bEND_`+w+`\b`).FindAllString(code, -1)); open != closed || closed == 0 {
			t.Errorf("%s: %d times %s, %d times END_%s", file, open, w, closed, w)
		}
	}
}

func TestSettingsReachTheText(t *testing.T) {
	for _, f := range forms {
		s := defaults()
		s.Permissives, s.CommitTTL, s.HeartbeatLoss, s.Publication = 0x3, 3*time.Second, 4*time.Second, 60*time.Millisecond
		text := generate(t, f.form, s)
		for _, want := range []string{
			"TRUE, TRUE, FALSE, FALSE,", "commitTtl : DINT := 300;", "heartbeatLoss : DINT := 400;", "publication : DINT := 6;",
			"goneAfter : DINT := 200;", "permissive[1] := permit1;",
		} {
			if !strings.Contains(text, want) {
				t.Errorf("form %d lacks %q", f.form, want)
			}
		}
	}
}

func TestProgramRefuses(t *testing.T) {
	good, short := defaults(), Settings{Address: defaults().Address}
	for name, tc := range map[string]struct {
		template string
		settings Settings
		want     []string
	}{
		"unknown marks":        {"@nonsense@ and @more nonsense@\n", good, []string{"@nonsense@", "@more nonsense@"}},
		"unknown constants":    {"@constants@\n x := REQ_COLOUR + OUT_SMELL;\nEND_PROGRAM\n", good, []string{"REQ_COLOUR", "OUT_SMELL"}},
		"operands missing":     {"  @split work@\n", good, []string{"@split work@ has 1 operands, want 3"}},
		"times under one tick": {"", short, []string{"commitTtl is 0s", "heartbeatLoss", "publication"}},
	} {
		_, err := Program(tc.template, First, tc.settings)
		if err == nil {
			t.Errorf("%s: no error", name)
			continue
		}
		for _, w := range tc.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %v lacks %q", name, err, w)
			}
		}
	}
}
