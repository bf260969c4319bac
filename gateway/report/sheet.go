package report

import (
	"fmt"
	"html"
	"strings"
)

// Sheet is a page that people sign: what was done, what came of it, and lines for
// names. All of it is plain text.
type Sheet struct {
	Title   string
	Caution string
	Facts   [][2]string // name and value
	Head    []string    // of the table
	Rows    [][]string
	Details []Detail // of the rows that need them
	Notes   []string
	Signers []string // who signs, as in "commissioned by"
}

// Detail is what stands below a row of the table.
type Detail struct {
	Title string
	Text  string
	Lines []string // as they stand, in letters of one width
}

const pageStyle = "body{font:14px sans-serif;margin:2em;max-width:60em;color:#222}table{border-collapse:collapse;margin:.5em 0 1.5em}" +
	"td,th{padding:.2em .8em;border-bottom:1px solid #ddd;text-align:left}td.n{text-align:right}svg{max-width:100%;height:auto}"

const sheetStyle = pageStyle + "p.c{border:2px solid #222;padding:.5em 1em}pre{white-space:pre-wrap;overflow-wrap:anywhere;font-size:11px}" +
	"td.s{width:18em;padding-top:2.5em;border-bottom:1px solid #222}"

// Page is the sheet as one HTML page without scripts or outside references.
func (s *Sheet) Page() string {
	var b strings.Builder
	title := html.EscapeString(s.Title)
	fmt.Fprintf(&b, "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>%s</title>\n<style>%s</style>\n</head>\n<body>\n<h1>%s</h1>\n", title, sheetStyle, title)
	if s.Caution != "" {
		fmt.Fprintf(&b, "<p class=\"c\">%s</p>\n", html.EscapeString(s.Caution))
	}
	b.WriteString("<table>\n")
	for _, f := range s.Facts {
		writeRow(&b, "td", f[:])
	}
	b.WriteString("</table>\n<table>\n")
	writeRow(&b, "th", s.Head)
	for _, r := range s.Rows {
		writeRow(&b, "td", r)
	}
	b.WriteString("</table>\n")
	for _, d := range s.Details {
		fmt.Fprintf(&b, "<h2>%s</h2>\n<p>%s</p>\n", html.EscapeString(d.Title), html.EscapeString(d.Text))
		if len(d.Lines) > 0 {
			fmt.Fprintf(&b, "<pre>%s</pre>\n", html.EscapeString(strings.Join(d.Lines, "\n")))
		}
	}
	for _, n := range s.Notes {
		fmt.Fprintf(&b, "<p>%s</p>\n", html.EscapeString(n))
	}
	b.WriteString("<table>\n<tr><th></th><th>name</th><th>date</th><th>signature</th></tr>\n")
	for _, who := range s.Signers {
		fmt.Fprintf(&b, "<tr><td>%s</td><td class=\"s\"></td><td class=\"s\"></td><td class=\"s\"></td></tr>\n", html.EscapeString(who))
	}
	b.WriteString("</table>\n</body>\n</html>\n")
	return b.String()
}

func writeRow(b *strings.Builder, cell string, texts []string) {
	b.WriteString("<tr>")
	for _, t := range texts {
		fmt.Fprintf(b, "<%s>%s</%s>", cell, html.EscapeString(t), cell)
	}
	b.WriteString("</tr>\n")
}
