package main

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// However a text is cut on its way, it comes through whole; what is no text
// does not.
func TestTextReader(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := []byte(rapid.StringN(0, 40, 200).Draw(t, "text"))
		if rapid.Bool().Draw(t, "spoil") && len(b) > 0 {
			b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "byte")
		}
		want := utf8.Valid(b) && bytes.IndexByte(b, 0) < 0
		for _, r := range []io.Reader{
			bytes.NewReader(b), iotest.OneByteReader(bytes.NewReader(b)),
			iotest.HalfReader(bytes.NewReader(b)), iotest.DataErrReader(bytes.NewReader(b)),
		} {
			text := &textReader{r: r}
			got, err := io.ReadAll(text)
			if !want {
				if !errors.Is(err, errNotText) {
					t.Fatalf("%q came through with %v", b, err)
				}
				continue
			}
			if err != nil || !bytes.Equal(got, b) {
				t.Fatalf("%q came as %q with %v", b, got, err)
			}
			if len(b) > 0 && text.last != b[len(b)-1] {
				t.Fatalf("%q: last byte %q", b, text.last)
			}
		}
	})
}

// Whatever the bytes, a table ends with rows or with errors and no panic, and
// a good row keeps its cells.
func FuzzTable(f *testing.F) {
	f.Add([]byte("width (in),diameter,spec\n24,45 in,light\n"))
	f.Add([]byte("\xef\xbb\xbfwidth,diameter\n24 in,45 in\n"))
	f.Add([]byte("width,diameter\n\"24 in,45 in\n"))
	f.Add([]byte{'P', 'K', 3, 4, 0, 0, 255})
	f.Fuzz(func(t *testing.T, b []byte) {
		table, err := openTable("f", bytes.NewReader(b), scheduleColumns())
		if err != nil {
			return
		}
		for {
			row, err := table.next()
			if row == nil || err != nil {
				break
			}
			before := len(table.bad.list) + table.bad.more
			v := table.length(row, 2)
			if len(table.bad.list)+table.bad.more == before && v <= 0 {
				t.Fatalf("a width of %g was taken from %q", v, row)
			}
		}
	})
}

func TestPerUnit(t *testing.T) {
	for text, want := range map[string]float64{
		"0.35/m2": 0.35, "0 /m²": 0, "9.290304/1000ft2": 0.1, "0.09290304/ft2": 1,
	} {
		if got, err := perUnit(text, areaUnits()); err != nil || got < want-1e-12 || got > want+1e-12 {
			t.Errorf("%s is %g with %v, want %g by m²", text, got, err, want)
		}
	}
	for _, text := range []string{"", "1", "/m2", "1/", "-1/m2", "x/m2", "1/in", "NaN/m2", "1e99/m2"} {
		if v, err := perUnit(text, areaUnits()); err == nil {
			t.Errorf("%q is %g, want an error", text, v)
		} else if !strings.Contains(err.Error(), "want a number") {
			t.Errorf("%q: %v", text, err)
		}
	}
	if got, err := perUnit("1/in", lengthUnits()); err != nil || got < 39.37 || got > 39.3701 {
		t.Errorf("1/in is %g by m with %v", got, err)
	}
}

// TestSampleSchedule proves that the samples are what the command reads.
func TestSampleSchedule(t *testing.T) {
	var out, errs bytes.Buffer
	code := run([]string{"slate", "../../testdata/slate/week.csv", "--candidates", "../../testdata/slate/stock.csv"}, nil, strings.NewReader(""), &out, &errs)
	if code != exitDifferences || errs.Len() > 0 || !strings.Contains(out.String(), "238 rolls in 14 rows") {
		t.Errorf("code %d, %s\n%s", code, errs.String(), out.String())
	}
}
