package opcua

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/gopcua/opcua/ua"
)

// TestStatusCodes rests on StatusCode.csv of the OPC Foundation (P): the codes
// that the classes of errors are told by, and the severity in their top bits.
func TestStatusCodes(t *testing.T) {
	text, err := os.ReadFile("../../../testdata/reference/wire.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	codes := map[string]ua.StatusCode{
		"Good": ua.StatusGood, "BadNodeIdUnknown": ua.StatusBadNodeIDUnknown, "BadOutOfRange": ua.StatusBadOutOfRange,
		"BadTypeMismatch": ua.StatusBadTypeMismatch, "BadTimeout": ua.StatusBadTimeout, "GoodClamped": ua.StatusGoodClamped,
	}
	found := 0
	for _, row := range rows {
		if row[0] != "opcua-status" {
			continue
		}
		found++
		want, err := strconv.ParseUint(row[2], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := codes[row[1]]
		if !ok || uint64(got) != want {
			t.Errorf("%s is %08X, want %s (%s)", row[1], uint32(got), row[2], row[3])
		}
		const bad = 2
		if severity := uint32(got) >> 30; (severity == bad) != strings.HasPrefix(row[1], "Bad") {
			t.Errorf("%s has severity %d", row[1], severity)
		}
	}
	if found != len(codes) {
		t.Errorf("wire.csv has %d status codes, want %d", found, len(codes))
	}
}
