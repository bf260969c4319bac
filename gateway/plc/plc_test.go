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
)

var update = flag.Bool("update", false, "write the controller's program anew")

const (
	templateFile = "../../configs/controller/lapgate.st.tmpl"
	programFile  = "../../configs/controller/lapgate.st"
)

// defaults are the settings of the reference configuration.
func defaults() Settings {
	return Settings{
		Permissives: 0x3F, CommitTTL: 2 * time.Second,
		HeartbeatLoss: 2500 * time.Millisecond, Publication: 100 * time.Millisecond,
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

func generate(t *testing.T, s Settings) string {
	t.Helper()
	text, err := Program(read(t, templateFile), s)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// TestProgramHasNotDrifted holds the committed program to the tables.
func TestProgramHasNotDrifted(t *testing.T) {
	got := generate(t, defaults())
	if *update {
		if err := os.WriteFile(programFile, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want := strings.Split(read(t, programFile), "\n")
	for i, line := range strings.Split(got, "\n") {
		if i >= len(want) || line != want[i] {
			t.Fatalf("%s differs from the tables and the template from line %d on: generated %q; write it anew with go test ./gateway/plc -update",
				programFile, i+1, line)
		}
	}
	if n := len(strings.Split(got, "\n")); n != len(want) {
		t.Errorf("%s has %d lines, generated are %d", programFile, len(want), n)
	}
}

// declared reads the constants of the committed program back.
func declared(t *testing.T) map[string]string {
	t.Helper()
	row := regexp.MustCompile(`(?m)^    ([A-Z][A-Z0-9_]+) : (INT|UINT|UDINT|WORD) := ([0-9A-F#]+);$`)
	out := map[string]string{}
	for _, m := range row.FindAllStringSubmatch(read(t, programFile), -1) {
		if old, ok := out[m[1]]; ok && old != m[3] {
			t.Errorf("%s is %s and %s", m[1], old, m[3])
		}
		out[m[1]] = m[3]
	}
	return out
}

func number(t *testing.T, text string) int {
	t.Helper()
	base := 10
	if rest, ok := strings.CutPrefix(text, "16#"); ok {
		text, base = rest, 16
	}
	v, err := strconv.ParseInt(text, base, 64)
	if err != nil {
		t.Fatal(err)
	}
	return int(v)
}

// TestConstantsEqualTheBlocks reads every number of the program as text and
// compares it with the codec, not with the generator's own list.
func TestConstantsEqualTheBlocks(t *testing.T) {
	want := map[string]int{
		"LAYOUT_VERSION": handshake.LayoutVersion, "RING_ENTRIES": handshake.OutEntries, "RING_MODULUS": handshake.OutEntries, "RING_ALARM": 48,
		"TAG_WORDS": handshake.TagLen / 2, "FIRST_SETPOINT": handshake.FirstSetpoint,
		"TYPE_REQ": 0x5251, "TYPE_OUT": 0x4F55, "TYPE_HEARTBEAT": 0x4842, "TYPE_HELLO": 0x4845, "TYPE_PAYLOAD": 0x5041,
		"TYPE_COMMIT": 0x434D, "TYPE_ACK": 0x414B,
		"REQ_WORDS": handshake.ReqWords, "OUT_WORDS": handshake.OutWords, "HEARTBEAT_WORDS": handshake.HeartbeatWords,
		"HELLO_WORDS": handshake.HelloWords, "PAYLOAD_WORDS": handshake.PayloadWords, "COMMIT_WORDS": handshake.CommitWords, "ACK_WORDS": handshake.AckWords,
		"PHASE_EMPTY": int(handshake.Empty), "PHASE_AWAIT": int(handshake.Await), "PHASE_RUN": int(handshake.Run),
		"PHASE_HELD": int(handshake.Held), "PHASE_MANUAL": int(handshake.ByHand), "PHASE_FAULT": int(handshake.Fault),
		"VERDICT_ACCEPTED": int(handshake.Accepted), "VERDICT_REJECTED": int(handshake.Rejected), "VERDICT_HELD": int(handshake.HeldVerdict),
		"OUTCOME_WRAPPED": int(handshake.Wrapped), "OUTCOME_WRAPPED_BY_HAND": int(handshake.WrappedByHand), "OUTCOME_REMOVED": int(handshake.Removed),
		"OUTCOME_ABORTED": int(handshake.Aborted), "OUTCOME_UNKNOWN_AFTER_MEMORY_LOSS": int(handshake.Lost),
		"REASON_PAYLOAD_DAMAGED": 10, "REASON_PAYLOAD_OF_ANOTHER_OFFER": 11, "REASON_WRONG_ROLL_DATA": 12, "REASON_TOO_LATE": 13, "REASON_GATEWAY_NOT_ALIVE": 14,
		"REASON_PERMISSIVE_OFF": 20, "REASON_OUTSIDE_CONTROLLER_LIMIT": 60,
		"KIND_RECIPE": int(handshake.KindRecipe), "KIND_HOLD": int(handshake.KindHold),
		"FLAG_ALL_PERMISSIVES": int(handshake.AllPermissives), "FLAG_MEMORY_LOST": int(handshake.MemoryLost),
		"FLAG_MANUAL_SELECTED": int(handshake.ManualSelected), "FLAG_RING_FULL": int(handshake.RingFull),
		"FLAG_GATEWAY_ALIVE": int(handshake.GatewayAlive), "FLAG_DIMENSIONS_VALID": int(handshake.DimensionsValid),
		"FLAG_OPERATOR_MUST_ACK": int(handshake.OperatorMustAck), "HEARTBEAT_HOLD_ALL": int(handshake.FlagHoldAll),
		"LIMIT_COUNT": len(limits()),
		// The banks are the program's own; what matters is that nothing overlaps.
		"BANK_PAYLOAD": handshake.ReqWords, "BANK_SEQUENCE": handshake.ReqWords + handshake.PayloadWords,
		"BANK_RUN_START": handshake.ReqWords + handshake.PayloadWords + 1, "BANK_HOLD_REASON": handshake.ReqWords + handshake.PayloadWords + 3,
		"BANK_BITS": handshake.ReqWords + handshake.PayloadWords + 4, "BANK_CRC": handshake.ReqWords + handshake.PayloadWords + 5,
		"BANK_WORDS": handshake.ReqWords + handshake.PayloadWords + 7,
	}
	for _, id := range handshake.IDs() {
		for _, f := range handshake.Fields(id) {
			if name := id.String() + "_" + strings.ToUpper(f.Name); f.Name != "type" {
				if _, twice := want[name]; twice {
					t.Errorf("two numbers are called %s", name)
				}
				want[name] = f.Register
			}
		}
	}
	got := declared(t)
	if len(got) < 100 {
		t.Fatalf("only %d constants were found in %s", len(got), programFile)
	}
	for name, text := range got {
		w, ok := want[name]
		if !ok {
			t.Errorf("%s is not a number of the protocol", name)
		} else if v := number(t, text); v != w {
			t.Errorf("%s is %d, want %d", name, v, w)
		}
	}
}

// TestEveryRequestFieldIsWritten finds a field of the controller's own blocks
// that the program forgot.
func TestEveryRequestFieldIsWritten(t *testing.T) {
	text := read(t, programFile)
	for _, id := range []handshake.ID{handshake.REQ, handshake.OUT} {
		for _, f := range handshake.Fields(id) {
			// The reason of an outcome is for lines that know one.
			if f.Name == "type" || id == handshake.OUT && f.Name == "reason" || id == handshake.OUT && f.Name == "nonce" {
				continue
			}
			name := "work[" + id.String() + "_" + strings.ToUpper(f.Name)
			if !regexp.MustCompile(regexp.QuoteMeta(name) + `( \+ [i1])?\] :=`).MatchString(text) {
				t.Errorf("field %s of %s is never written", f.Name, id)
			}
		}
	}
}

// TestChecksumTable computes with the table of the program as text: the check
// value of CRC-32 is published (P).
func TestChecksumTable(t *testing.T) {
	text := read(t, programFile)
	_, text, ok := strings.Cut(text, "CRC_TABLE : ARRAY [0..255] OF DWORD := [")
	if !ok {
		t.Fatal("no table")
	}
	text, _, _ = strings.Cut(text, "]")
	var table []uint32
	for _, m := range regexp.MustCompile(`16#([0-9A-F]{8})`).FindAllStringSubmatch(text, -1) {
		v, err := strconv.ParseUint(m[1], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		table = append(table, uint32(v))
	}
	if !slices.Equal(table, crc32.IEEETable[:]) {
		t.Fatalf("table of %d differs from that of the gateway", len(table))
	}
	checked := 0
	for row := range strings.Lines(read(t, "../../testdata/reference/wire.csv")) {
		cells := strings.Split(row, ",")
		if cells[0] != "crc32-ieee" {
			continue
		}
		crc := ^uint32(0)
		for _, b := range []byte(cells[1]) {
			crc = crc>>8 ^ table[byte(crc)^b]
		}
		if got := strings.ToUpper(strconv.FormatUint(uint64(^crc), 16)); got != cells[2] {
			t.Errorf("check value of %s is %s, want %s (%s)", cells[1], got, cells[2], strings.TrimSpace(cells[3]))
		}
		checked++
	}
	if checked == 0 {
		t.Error("wire.csv has no row for crc32-ieee")
	}
}

func TestEverySetpointHasALimit(t *testing.T) {
	limited := map[string]bool{}
	for _, l := range limits() {
		limited[l.Name] = true
	}
	for _, f := range setpoints() {
		if !limited[f.Name] && !f.Bits {
			t.Errorf("setpoint %s has no limit", f.Name)
		}
	}
}

func TestProgramIsPlain(t *testing.T) {
	text := read(t, programFile)
	for i, line := range strings.Split(text, "\n") {
		if len(line) > lineLength {
			t.Errorf("line %d has %d characters, want at most %d", i+1, len(line), lineLength)
		}
		if line != strings.TrimRight(line, " \t") || strings.Contains(line, "\t") {
			t.Errorf("line %d holds a tab or ends with a space", i+1)
		}
		for _, c := range line {
			if c > 0x7E {
				t.Errorf("line %d holds %q, which is not ASCII", i+1, c)
			}
		}
		if strings.Contains(line, "@") && !strings.HasPrefix(line, "      ' !") {
			t.Errorf("line %d holds a mark that was not filled in: %s", i+1, line)
		}
	}
	code := comment.ReplaceAllString(text, "")
	code = regexp.MustCompile(`'(\$.|[^'$])*'`).ReplaceAllString(code, "''")
	// Words of object orientation, references, unbounded loops, jumps and of
	// single vendors' dialects.
	for _, w := range []string{
		"METHOD", "CLASS", "INTERFACE", "PROPERTY", "EXTENDS", "IMPLEMENTS", "THIS", "SUPER", "ABSTRACT", "POINTER", "REF_TO", "REFERENCE",
		"ADR", "SIZEOF", "WHILE", "REPEAT", "GOTO", "JMP", "CONTINUE", "LREAL", "REAL", "LINT", "ULINT", "LWORD", "NAMESPACE", "USING",
		"VAR_TEMP", "VAR_STAT", "PERSISTENT", "UNION", "BEGIN", "REGION", "DB", "WSTRING", "ANY", "BYTE_TO_CHAR",
	} {
		if regexp.MustCompile(`(?i)\b` + w + `\b`).MatchString(code) {
			t.Errorf("the program uses %s", w)
		}
	}
	for _, bad := range []string{"//", "^", "{", "}", "#include", "%M", "%I", "%Q", "?"} {
		if strings.Contains(code, bad) {
			t.Errorf("the program holds %q", bad)
		}
	}
	for _, w := range []string{"IF", "FOR", "STRUCT", "VAR", "FUNCTION", "FUNCTION_BLOCK", "PROGRAM", "TYPE"} {
		open := len(regexp.MustCompile(`(?m)(^|[^A-Z_a-z])`+w+`([^A-Z_a-z]|$)`).FindAllString(code, -1))
		if w == "VAR" {
			open = len(regexp.MustCompile(`(?m)^ +VAR(_INPUT|_OUTPUT|_IN_OUT| RETAIN| CONSTANT)?$`).FindAllString(code, -1))
		}
		if closed := len(regexp.MustCompile(`\bEND_`+w+`\b`).FindAllString(code, -1)); open != closed || closed == 0 {
			t.Errorf("%d times %s, %d times END_%s", open, w, closed, w)
		}
	}
	if !strings.Contains(text, "not a safety function") {
		t.Error("the program lacks its caution")
	}
}

func TestSettingsReachTheText(t *testing.T) {
	text := generate(t, Settings{Permissives: 0x1F, CommitTTL: 3 * time.Second, HeartbeatLoss: 4 * time.Second, Publication: 60 * time.Millisecond})
	for _, want := range []string{
		"permissivesNeeded : DWORD := 16#1F;", "commitTtl : UDINT := 300;", "heartbeatLoss : UDINT := 400;", "publication : UDINT := 6;",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the program lacks %q", want)
		}
	}
}

func TestProgramRefuses(t *testing.T) {
	good := defaults()
	for name, tc := range map[string]struct {
		template string
		settings Settings
		want     []string
	}{
		"unknown marks":        {"@nonsense@ and @more nonsense@\n", good, []string{"@nonsense@", "@more nonsense@"}},
		"unknown constants":    {"@constants@\n x := REQ_COLOUR + OUT_SMELL;\nEND_PROGRAM\n", good, []string{"REQ_COLOUR", "OUT_SMELL"}},
		"times under one tick": {"", Settings{}, []string{"commit ttl is 0s", "heartbeat loss", "publication"}},
	} {
		_, err := Program(tc.template, tc.settings)
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
