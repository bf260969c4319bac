package handshake

// Verify checks that words are one whole block: type, layout, generation,
// checksum and the registers that stay zero. Errors are *DecodeError; an
// unknown block has no length that fits.
func Verify(id ID, words []uint16) error {
	t := tableOf(id)
	if t == nil {
		return &DecodeError{Block: id, Cause: CauseLength, Got: uint32(len(words))}
	}
	return t.verify(words)
}
