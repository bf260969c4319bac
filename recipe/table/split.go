package table

import (
	"strings"
	"unicode/utf8"
)

// cell is one cell of a line.
type cell struct {
	text string // without quotes and space around it
	at   int    // byte of the line at which it begins
}

// split takes a line apart and appends its cells to out. It is not the reader
// of encoding/csv, because a quote that is never closed must not swallow the
// rows below it, nor a row be longer than a line.
func split(line string, comma byte, out []cell) ([]cell, *Problem) {
	for at := 0; ; {
		for at < len(line) && line[at] != comma && (line[at] == ' ' || line[at] == '\t') {
			at++
		}
		if at < len(line) && line[at] == '"' {
			text, next, wrong := quoted(line, at, comma)
			if wrong != nil {
				return out, wrong
			}
			out = append(out, cell{strings.TrimSpace(text), at})
			at = next
		} else {
			end := strings.IndexByte(line[at:], comma)
			if end < 0 {
				end = len(line)
			} else {
				end += at
			}
			if i := strings.IndexByte(line[at:end], '"'); i >= 0 {
				return out, &Problem{
					Column: column1(line, at+i), Text: "a quote stands within a cell",
					Remedy: `put the whole cell in quotes and double the quote in it; for inches write in`,
				}
			}
			out = append(out, cell{strings.TrimSpace(line[at:end]), at})
			at = end
		}
		if at >= len(line) {
			return out, nil
		}
		at++ // the separator; at the end of the line an empty cell follows it
	}
}

// quoted reads a cell in quotes that begins at the byte at. next is that of
// the separator behind it, or the length of the line.
func quoted(line string, at int, comma byte) (text string, next int, wrong *Problem) {
	start := at
	var doubled bool
	for at++; ; at++ {
		if at >= len(line) {
			return "", 0, &Problem{Column: column1(line, start), Text: "the quote is not closed on its line", Remedy: "close it; is a quote missing, or the table cut short?"}
		}
		if line[at] != '"' {
			continue
		}
		if at+1 < len(line) && line[at+1] == '"' {
			doubled = true
			at++
			continue
		}
		break
	}
	text = line[start+1 : at]
	if doubled {
		text = strings.ReplaceAll(text, `""`, `"`)
	}
	for at++; at < len(line) && line[at] != comma; at++ {
		if line[at] != ' ' && line[at] != '\t' {
			return "", 0, &Problem{Column: column1(line, at), Text: "text stands behind the closing quote", Remedy: "put the whole cell in quotes and double the quotes in it"}
		}
	}
	return text, at, nil
}

// column1 is the column of a byte of the line as an editor counts it: in
// characters, from 1.
func column1(line string, at int) int { return utf8.RuneCountInString(line[:at]) + 1 }
