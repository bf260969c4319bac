// Package reporttest looks at drawings and pages as a browser would read them.
package reporttest

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"
)

// WellFormed counts the elements of a drawing or page by their names. It wants
// none that runs or loads anything, and no number that is none.
func WellFormed(t testing.TB, text string) map[string]int {
	t.Helper()
	elements := map[string]int{}
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		elements[start.Name.Local]++
		for _, a := range start.Attr {
			if strings.HasPrefix(strings.ToLower(a.Name.Local), "on") || a.Name.Local == "href" && !strings.HasPrefix(a.Value, "#") {
				t.Errorf("<%s> has %s", start.Name.Local, a.Name.Local)
			}
			if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
				t.Errorf("<%s> has %s=%q", start.Name.Local, a.Name.Local, a.Value)
			}
		}
	}
	if elements["script"] > 0 || elements["image"] > 0 || elements["foreignObject"] > 0 {
		t.Errorf("elements %v", elements)
	}
	return elements
}
