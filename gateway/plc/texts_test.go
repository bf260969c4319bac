package plc

import (
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
)

// TestEveryMessageHasWords holds that the panel has a sentence for whatever the
// program can show, and a remedy for whatever somebody has to do something about.
func TestEveryMessageHasWords(t *testing.T) {
	seen := map[string]Text{}
	for _, x := range Texts(0x3F) {
		key := x.Kind + " " + x.Number
		if x.Kind == "lamp" {
			key = "lamp " + x.Name
		}
		if _, twice := seen[key]; twice {
			t.Errorf("%s stands twice", key)
		}
		seen[key] = x
		if x.Name == "" || !strings.HasSuffix(x.Sentence, ".") || len(x.Sentence) < 10 {
			t.Errorf("%s is %+v", key, x)
		}
		if calm := key == "phase 0" || key == "closing 0"; (x.Remedy == "") != calm {
			t.Errorf("%s: remedy %q", key, x.Remedy)
		}
	}
	want := []string{"phase 5", "hold 12", "reject 10", "reject 14", "reject 20", "reject 25", "reject 60", "reject 86", "reject 94", "closing 4"}
	for _, o := range outputsOf(t, "lamp") {
		want = append(want, "lamp "+o)
	}
	for _, key := range want {
		if _, ok := seen[key]; !ok {
			t.Errorf("%s has no text", key)
		}
	}
	if _, ok := seen["reject 26"]; ok {
		t.Error("a permissive that the line does not have has a text")
	}
	if x := seen["hold 6"]; x.Name != handshake.Spelled(handshake.HoldPermissive.String()) {
		t.Errorf("hold 6 is called %s, want the word of the handshake", x.Name)
	}
	if next := handshake.HoldReason(13); next.String() != "reason "+strconv.Itoa(13) {
		t.Errorf("hold reason 13 has a word, %s, and no text", next)
	}
}

// outputsOf reads the outputs of the committed program whose names begin so.
func outputsOf(t *testing.T, prefix string) []string {
	t.Helper()
	var out []string
	for line := range strings.Lines(read(t, forms[0].file)) {
		name, _, ok := strings.Cut(strings.TrimSpace(line), " AT %QX")
		if ok && strings.HasPrefix(name, prefix) {
			out = append(out, name)
		}
	}
	if len(out) == 0 {
		t.Fatalf("no output called %s…", prefix)
	}
	return out
}
