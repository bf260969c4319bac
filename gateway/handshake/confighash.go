package handshake

import (
	"fmt"
	"strconv"
)

// ConfigHash names a configuration, as the payload carries it: the first 32 bits
// of its hash. It is spelled in eight hexadecimal figures wherever people or
// programs read it; the journal keeps the number.
type ConfigHash uint32

func (h ConfigHash) String() string { return fmt.Sprintf("%08x", uint32(h)) }

// MarshalText writes the hash as String does.
func (h ConfigHash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (h *ConfigHash) UnmarshalText(text []byte) error {
	n, err := strconv.ParseUint(string(text), 16, 32)
	if err != nil || len(text) != 8 {
		return fmt.Errorf("hash of a configuration: got %q, want eight hexadecimal figures", text)
	}
	*h = ConfigHash(n)
	return nil
}
