package main

import (
	"bytes"
	"strings"
	"testing"
)

// TestSampleSchedule proves that the samples are what the command reads.
func TestSampleSchedule(t *testing.T) {
	var out, errs bytes.Buffer
	code := run([]string{"widths", "../../testdata/widths/week.csv", "--candidates", "../../testdata/widths/stock.csv"}, nil, strings.NewReader(""), &out, &errs)
	if code != exitDifferences || !strings.Contains(errs.String(), "Lock out") || !strings.Contains(out.String(), "238\nrows                     14\n") {
		t.Errorf("code %d, %s\n%s", code, errs.String(), out.String())
	}
}
