package recipe

// Measured tells when and by whom a setting was measured on the line. A
// setting that nobody measured stands at a default of judgement.
type Measured struct {
	At string `cfg:"at" default:"" doc:"date of the measurement, as in 2026-03-01; empty when nobody measured"`
	By string `cfg:"by" default:"" doc:"name of the person who measured"`
}

// Done reports whether somebody measured.
func (m Measured) Done() bool { return m.At != "" && m.By != "" }
