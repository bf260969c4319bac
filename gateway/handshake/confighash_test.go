package handshake_test

import (
	"testing"

	"pgregory.net/rapid"

	"lapgate/gateway/handshake"
)

func TestConfigHashText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h, back := handshake.ConfigHash(rapid.Uint32().Draw(t, "hash")), handshake.ConfigHash(0)
		text, err := h.MarshalText()
		if err != nil || back.UnmarshalText(text) != nil || back != h {
			t.Fatalf("%v comes back as %v", h, back)
		}
	})
	var h handshake.ConfigHash
	for _, bad := range []string{"", "123", "+1234567", "1234567g", "123456789"} {
		if h.UnmarshalText([]byte(bad)) == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
