package wording

// Phrase is what is said as a value that is printed: people read it in their language,
// and programs in English.
type Phrase struct{ Said }

// MarshalText writes the English.
func (p Phrase) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads what was written so: a text that no translation changes.
func (p *Phrase) UnmarshalText(text []byte) error {
	p.Said = Plain(string(text))
	return nil
}
