package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/report/reporttest"
	"lapgate/recipe/caution"
)

func TestReport(t *testing.T) {
	// Every scale reading is 1 % above what we predict; held rolls are removed.
	const rolls = 80
	held := 0
	path := shadowJournal(t, t.TempDir(), demoSnapshot(t), rolls, func(_ int, p *handshake.Payload, o *handshake.Outcome) {
		if p.Kind == handshake.KindHold {
			held++
			o.Outcome, o.Scale = handshake.Removed, 0
			return
		}
		o.Scale = uint32(math.Round(float64(p.Gross) * 1.01))
	})
	page := filepath.Join(t.TempDir(), "shift.html")
	r := lapgate("report", path, "--csv", "--html", page)
	wantCode(t, r, exitDone)
	rows, err := csv.NewReader(strings.NewReader(r.out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != rolls+1 || held == 0 {
		t.Fatalf("%d rows for %d rolls, %d held", len(rows), rolls, held)
	}
	removed := 0
	for _, row := range rows[1:] {
		if row[3] == "removed" {
			removed++
			if row[5] != "hold" || row[6] != "no-slot" || row[7] != "" || row[10] != "" {
				t.Errorf("held roll: %v", row)
			}
			continue
		}
		deviation, err := strconv.ParseFloat(row[10], 64)
		if err != nil || math.Abs(deviation-1) > 0.02 || row[5] != "go" {
			t.Errorf("roll: %v", row)
		}
		// The demonstration wants an overhang of 3 to 7 inches each side.
		if hang, err := strconv.ParseFloat(row[7], 64); err != nil || hang < 3*25.4 || hang > 7*25.4 {
			t.Errorf("overhang: %v", row)
		}
	}
	html, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	_, head, _ := strings.Cut(string(html), "<code>")
	head, _, _ = strings.Cut(head, "</code>")
	wantCode(t, lapgate("journal", "verify", path, "--head", head), exitDone)
	wantCode(t, lapgate("journal", "verify", path, "--head", strings.Replace(head, ":", "0:", 1)), exitDifferences)
	if removed != held {
		t.Errorf("%d removed, want %d", removed, held)
	}
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	_, body, ok := strings.Cut(string(text), "</head>")
	if !ok {
		t.Fatal("the page has no head")
	}
	elements := reporttest.WellFormed(t, "<html>"+body)
	if elements["svg"] != 2 || elements["circle"] != rolls-held {
		t.Errorf("elements %v, want 2 drawings and %d points", elements, rolls-held)
	}
	for _, want := range []string{
		fmt.Sprintf(`<tr><td>removed</td><td class="n">%d</td></tr>`, held),
		fmt.Sprintf(`<tr><td>no-slot</td><td class="n">%d</td></tr>`, held),
		fmt.Sprintf(`<tr><td>wrapped by hand</td><td class="n">%d</td></tr>`, rolls-held),
		caution.Limits.String(),
	} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the page lacks %s", want)
		}
	}

	// A time without rolls: a page that says so.
	later := time.Now().Add(time.Hour).UTC().Format(time.RFC3339)
	r = lapgate("report", path, "--csv", "--since", later, "--html", page)
	wantCode(t, r, exitDone)
	if text, err = os.ReadFile(page); err != nil || !strings.Contains(string(text), "No roll left") || strings.Count(r.out, "\n") != 1 {
		t.Errorf("%v, %s", err, r.out)
	}
	wantCode(t, lapgate("report", path, "--until", "tomorrow"), exitUsage)
}
