package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lapgate/configs"
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
	column := func(row []string, name string) string {
		i := slices.IndexFunc(rows[0], func(head string) bool { return head == name || strings.HasPrefix(head, name+" (") })
		if i < 0 {
			t.Fatalf("no column %s in %v", name, rows[0])
		}
		return row[i]
	}
	removed := 0
	for _, row := range rows[1:] {
		if column(row, "outcome") == "removed" {
			removed++
			if column(row, "last verdict") != "hold" || column(row, "holds") != "no-slot" || column(row, "overhang") != "" || column(row, "scale deviation") != "" {
				t.Errorf("held roll: %v", row)
			}
			continue
		}
		gross, e1 := strconv.ParseFloat(column(row, "gross"), 64)
		deviation, e2 := strconv.ParseFloat(column(row, "scale deviation"), 64)
		if e1 != nil || e2 != nil || math.Abs(100*deviation/gross-1) > 0.02 || column(row, "last verdict") != "go" || column(row, "mode") != "shadow" {
			t.Errorf("roll: %v", row)
		}
		// The demonstration wants an overhang of 3 to 7 inches each side.
		if hang, err := strconv.ParseFloat(column(row, "overhang"), 64); err != nil || hang < 3*25.4 || hang > 7*25.4 {
			t.Errorf("overhang: %v", row)
		}
	}
	if beside, err := os.ReadFile(strings.TrimSuffix(page, ".html") + ".csv"); err != nil || string(beside) != r.out {
		t.Errorf("the table beside the page is not what --csv prints: %v", err)
	}
	if export := lapgate("journal", "export", path, "--format", "csv"); export.out != r.out {
		t.Errorf("the export is not what report --csv prints: %s", export.errors)
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
	// Pareto, histogram and scale, and a drawing for the sheet of each roll.
	if elements["svg"] != 3+rolls || elements["circle"] != rolls-held+1 || elements["a"] != 2*rolls {
		t.Errorf("elements %v, want %d drawings, %d points and a link to and from each sheet", elements, 3+rolls, rolls-held+1)
	}
	for _, want := range []string{
		fmt.Sprintf(`<b>%d</b>removed`, held), fmt.Sprintf(`<b>%d</b>wrapped by hand`, rolls-held), fmt.Sprintf(`<b>%d</b>met a hold`, held),
		fmt.Sprintf(`<th scope="row" class="t">no-slot</th><td>No slot of the stand has a wrapper for the roll</td><td class="n">%d</td>`, held),
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

// Without a journal the report is of every line of the configuration: one page, one
// table, and a line that has no journal yet is named.
func TestReportOfAllLines(t *testing.T) {
	text := string(configs.Demo())
	head, line, ok := strings.Cut(text, "\nlines:")
	if !ok {
		t.Fatal("the demonstration's configuration has no lines")
	}
	dir := t.TempDir()
	mill := filepath.Join(dir, "mill.yaml")
	other := strings.NewReplacer("name: north", "name: south", "1502", "1503").Replace(line)
	if err := os.WriteFile(mill, []byte(head+"\nlines:"+strings.TrimRight(line, "\n")+other), 0o600); err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(dir, "journal")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	shadowJournal(t, folder, demoSnapshot(t), 6, sameAsOurs)
	r := lapgate("report", "--config", mill, "--json")
	if wantCode(t, r, exitDone); strings.Count(r.out, `"line": "north"`) != 1+6 || !strings.Contains(r.errors, "line south has no journal yet") {
		t.Errorf("one journal: %.300s%s", r.out, r.errors)
	}
	north, err := os.ReadFile(filepath.Join(folder, "north.db"))
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, "south.db"), north, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	page := filepath.Join(dir, "all.html")
	r = lapgate("report", "--config", mill, "--csv", "--html", page)
	if wantCode(t, r, exitDone); strings.Count(r.out, "\nnorth,") != 6 || strings.Count(r.out, "\nsouth,") != 6 || strings.Count(r.out, "number") != 1 {
		t.Errorf("the table of both: %s", r.out)
	}
	html, err := os.ReadFile(page)
	if err != nil || !strings.Contains(string(html), "Shift report, line north") || !strings.Contains(string(html), "Shift report, line south") || strings.Count(string(html), `<section class="sheet"`) != 12 {
		t.Errorf("the page of both: %v", err)
	}
	if r = lapgate("report", "--config", mill, "--line", "south", "--csv"); strings.Contains(r.out, "\nnorth,") || !strings.Contains(r.out, "\nsouth,") {
		t.Errorf("one line of two: %s%s", r.out, r.errors)
	}
}
