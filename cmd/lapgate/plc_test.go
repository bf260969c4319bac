package main

import (
	"bytes"
	"os"
	"strings"
	"testing"
)

// TestPrintedProgramIsTheCommittedOne holds the files beside the protocol's
// description to what the program prints without a configuration.
func TestPrintedProgramIsTheCommittedOne(t *testing.T) {
	for _, tt := range []struct {
		file string
		args []string
	}{
		{"lapgate.st", []string{"plc"}},
		{"lapgate-second.st", []string{"plc", "--second"}},
		{"lapgate.NodeSet2.xml", []string{"plc", "--nodeset"}},
	} {
		want, err := os.ReadFile("../../configs/controller/" + tt.file)
		if err != nil {
			t.Fatal(err)
		}
		var out, problems bytes.Buffer
		if code := run(tt.args, nil, strings.NewReader(""), &out, &problems); code != exitDone {
			t.Errorf("%v: exit code %d: %s", tt.args, code, problems.String())
		}
		if !bytes.Equal(out.Bytes(), want) {
			t.Errorf("%v prints %d bytes, %s has %d and differs; write it anew", tt.args, out.Len(), tt.file, len(want))
		}
	}
}
