package present

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Clean is a text that others wrote, in which every character that a terminal, a log or
// a page would obey and not show is written out, as \x1b: control characters, line
// breaks, those that turn the direction of writing, and bytes that are no UTF-8.
func Clean(text string) string {
	if strings.IndexFunc(text, obeyed) < 0 && utf8.ValidString(text) {
		return text
	}
	var b strings.Builder
	for i, r := range text {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(text[i:], "\uFFFD"):
			fmt.Fprintf(&b, `\x%02x`, text[i])
		case obeyed(r):
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// CleanJSON is JSON text that says the same, with every character written out, as
// \u202e, that a terminal or a viewer would obey and not show. JSON itself leaves some of
// them as they are.
func CleanJSON(text []byte) []byte {
	hidden := func(r rune) bool { return r != '\n' && obeyed(r) } // a break between values
	if bytes.IndexFunc(text, hidden) < 0 {
		return text
	}
	var b bytes.Buffer
	for _, r := range string(text) {
		if !hidden(r) {
			b.WriteRune(r)
			continue
		}
		if low, high := utf16.EncodeRune(r); low != utf8.RuneError {
			fmt.Fprintf(&b, `\u%04x\u%04x`, low, high)
		} else {
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.Bytes()
}

// obeyed tells whether a character is not shown but obeyed. The format characters of
// Unicode are among them.
func obeyed(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp)
}

// CleanLines is Clean for a text of several lines, whose line breaks stay.
func CleanLines(text string) string {
	lines := strings.Split(text, "\n")
	for i := range lines {
		lines[i] = Clean(lines[i])
	}
	return strings.Join(lines, "\n")
}

// defused is the text of a CSV cell that a spreadsheet shows and does not reckon: one
// that would begin a formula gets an apostrophe before it. A plain number stays.
func defused(text string) string {
	if text == "" || !strings.ContainsRune("=+-@", rune(text[0])) {
		return text
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return text
	}
	return "'" + text
}
