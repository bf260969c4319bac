package wording

import (
	"errors"
	"strings"
)

// Refusal is an error that tells a person at the line why something is not done. As an
// error it is in English.
type Refusal struct {
	said  Said
	in    func(Said) Said // the sentence around what cause says; nil where said is all
	cause error
}

// Error is the sentence in English.
func (e *Refusal) Error() string { return (*Words)(nil).Error(e) }

// Unwrap is the error that is told inside of the sentence, nil for none.
func (e *Refusal) Unwrap() error { return e.cause }

// Refuse is what is said as an error.
func Refuse(s Said) error { return &Refusal{said: s} }

// RefuseIn tells an error inside of a sentence: of a line, say.
func RefuseIn(in func(Said) Said, cause error) error { return &Refusal{in: in, cause: cause} }

// Error is what an error says: that of a Refusal in the language of the translation, of
// errors that were joined each on a line of its own, and any other as it is.
func (w *Words) Error(err error) string {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var lines []string
		for _, one := range joined.Unwrap() {
			lines = append(lines, w.Error(one))
		}
		return strings.Join(lines, "\n")
	}
	var r *Refusal
	switch {
	case !errors.As(err, &r) || r != err: //nolint:errorlint // another error around it says more than it does
		return err.Error()
	case r.in != nil:
		return w.Text(r.in(Plain(w.Error(r.cause))))
	}
	return w.Text(r.said)
}
