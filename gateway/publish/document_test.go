package publish_test

import (
	"os"
	"reflect"
	"strings"
	"testing"

	"lapgate/gateway/publish"
)

// The document says of every event and every member of a payload what it means.
func TestEventsAreDocumented(t *testing.T) {
	text, err := os.ReadFile("../../configs/mqtt.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range publish.Events {
		if !strings.Contains(string(text), "| `"+e+"` |") {
			t.Errorf("configs/mqtt.md has no row for the event %s", e)
		}
	}
	members := 0
	for _, m := range membersOf(publish.PayloadType) {
		members++
		if !strings.Contains(string(text), "`"+m+"`") {
			t.Errorf("configs/mqtt.md does not say what %s means", m)
		}
	}
	if members < 15 {
		t.Errorf("only %d members were looked for", members)
	}
}

func membersOf(t reflect.Type) (out []string) {
	for f := range t.Fields() {
		if f.Anonymous {
			out = append(out, membersOf(f.Type.Elem())...)
			continue
		}
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		out = append(out, name)
	}
	return out
}
