package acceptance

import (
	"strings"
	"testing"

	"lapgate/gateway/replay"
)

// A line that takes another slot, or other zones, has used neither more nor less.
func TestOtherwise(t *testing.T) {
	var got []string
	for _, u := range replay.Usages() {
		got = append(got, otherwise(&u.Field, true))
	}
	if all := strings.Join(got, ", "); !strings.Contains(all, "another wrapper slot") || !strings.Contains(all, "layers more") || strings.Contains(all, "wrapper slot more") {
		t.Errorf("told as %s", all)
	}
}
