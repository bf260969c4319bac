package wording

import (
	"unicode"
	"unicode/utf8"
)

// Capital is a text that begins as a sentence does.
func Capital(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if first == utf8.RuneError {
		return text
	}
	return string(unicode.ToUpper(first)) + text[size:]
}
