package link

import (
	"errors"
	"fmt"

	"lapgate/gateway/handshake"
)

// lastRegister is the highest zero-based register address.
const lastRegister = 65535

// Layout holds the zero-based address of the first register of every block.
// The zero value is not valid; make one with NewLayout.
type Layout struct{ base [handshake.Blocks]uint16 }

// NewLayout takes the base address of every block, zero-based. The error names
// every problem at once: a block that is missing or unknown, one that reaches
// beyond register 65535, and each pair that overlaps.
func NewLayout(bases map[handshake.ID]int) (Layout, error) {
	var l Layout
	var bad []error
	ids := handshake.IDs()
	if n := unknown(bases); n > 0 {
		bad = append(bad, fmt.Errorf("register bases name %d unknown blocks, want only %v", n, ids))
	}
	placed := make([]handshake.ID, 0, handshake.Blocks)
	for _, id := range ids {
		base, ok := bases[id]
		if !ok {
			bad = append(bad, fmt.Errorf("block %s has no base address, want 0 to %d", id, lastRegister+1-extent(id)))
			continue
		}
		if base < 0 || base+extent(id)-1 > lastRegister {
			bad = append(bad, fmt.Errorf("block %s at base %d takes registers %d to %d, want 0 to %d",
				id, base, base, base+extent(id)-1, lastRegister))
			continue
		}
		l.base[id] = uint16(base)
		for _, other := range placed {
			if from, to := int(l.base[other]), int(l.base[other])+extent(other)-1; base <= to && from < base+extent(id) {
				bad = append(bad, fmt.Errorf("block %s (registers %d to %d) overlaps block %s (registers %d to %d); move one of them",
					id, base, base+extent(id)-1, other, from, to))
			}
		}
		placed = append(placed, id)
	}
	if len(bad) > 0 {
		return Layout{}, errors.Join(bad...)
	}
	return l, nil
}

// unknown counts the keys that are no block.
func unknown(bases map[handshake.ID]int) int {
	n := len(bases)
	for _, id := range handshake.IDs() {
		if _, ok := bases[id]; ok {
			n--
		}
	}
	return n
}

// extent is the number of registers of a block, for OUT of the whole ring.
func extent(id handshake.ID) int {
	if id == handshake.OUT {
		return handshake.OutWords * handshake.OutEntries
	}
	return handshake.Words(id)
}

// Address returns the zero-based address of a block, for OUT of one entry of
// the ring.
func (l *Layout) Address(id handshake.ID, entry int) int {
	base := int(l.base[id])
	if id == handshake.OUT {
		base += entry * handshake.OutWords
	}
	return base
}
