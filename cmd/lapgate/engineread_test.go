package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// shipped appends a journal to the engine as a machine, up to a record, 0 for all.
func shipped(t *testing.T, d *enginetest.Database, machine, path string, upTo uint64) {
	t.Helper()
	settings := d.Settings(enginetest.Machine)
	settings.Machine = machine
	c, err := engine.New(settings).Connect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	r, err := journal.OpenWhole(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	var all []journal.Entry
	if err := r.Walk(t.Context(), journal.Filter{ToSeq: upTo}, func(e journal.Entry) error { all = append(all, e); return nil }); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Register(t.Context(), engine.Journal{Genesis: all[0].Hash, Line: "north"}); err != nil {
		t.Fatal(err)
	}
	for len(all) > 0 {
		n := min(len(all), 500)
		if _, err := c.Append(t.Context(), all[0].Hash, nil); err == nil {
			t.Fatal("no records were taken for some")
		}
		if _, err := c.Append(t.Context(), genesisOf(t, c, machine), all[:n]); err != nil {
			t.Fatal(err)
		}
		all = all[n:]
	}
}

func genesisOf(t *testing.T, c *engine.Conn, machine string) journal.Hash {
	t.Helper()
	list, err := c.Journals(t.Context(), "north")
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range list {
		if j.Machine == machine {
			return j.Genesis
		}
	}
	t.Fatal("the journal is not registered")
	return journal.Hash{}
}

// demoJournal is the journal of a simulated shift.
func demoJournal(t *testing.T, seed string) string {
	t.Helper()
	dir := t.TempDir()
	called(t, exitDone, "demo", "--rolls", "12", "--speed", "500", "--seed", seed, "--journal", dir)
	return filepath.Join(dir, "north.db")
}

// What is read from the engine is what is read from the file, but for the names of both.
func TestEngineTellsWhatTheFileTells(t *testing.T) {
	d := enginetest.New(t)
	path := demoJournal(t, "2")
	shipped(t, d, "a", path, 0)
	mill := engineMill(t, d, enginetest.Reader)
	tag := tagOf(t, path)
	for _, c := range []struct {
		here, there []string
		code        int
	}{
		{[]string{"journal", "list", path, "--config", mill, "--json"}, []string{"journal", "list", "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"journal", "list", path, "--config", mill, "--csv", "--kind", "OUTCOME", "-n", "3"}, []string{"journal", "list", "--engine", "--config", mill, "--csv", "--kind", "OUTCOME", "-n", "3"}, exitDone},
		{[]string{"journal", "list", path, "--config", mill, "--json", "--roll", "2"}, []string{"journal", "list", "--engine", "--line", "north", "--config", mill, "--json", "--roll", "2"}, exitDone},
		{[]string{"journal", "verify", path, "--json"}, []string{"journal", "verify", "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"report", path, "--config", mill, "--json"}, []string{"report", "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"report", path, "--config", mill, "--csv", "--since", "2000-01-01"}, []string{"report", "--engine", "--config", mill, "--csv", "--since", "2000-01-01"}, exitDone},
		{[]string{"why", tag, path, "--config", mill, "--json"}, []string{"why", tag, "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"why", "2", path, "--config", mill, "--json"}, []string{"why", "2", "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"replay", path, "--config", mill, "--set", "specs.0.layers=2", "--json"}, []string{"replay", "--engine", "--config", mill, "--set", "specs.0.layers=2", "--json"}, exitDifferences},
		{[]string{"replay", "--notice", path, "--config", mill, "--json"}, []string{"replay", "--notice", "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"compare", path, "--config", mill, "--json", "--tolerance", "overlap=0.1mm"}, []string{"compare", "--engine", "--config", mill, "--json", "--tolerance", "overlap=0.1mm"}, exitDifferences},
		{[]string{"journal", "show", path, "5", "--config", mill, "--json"}, []string{"journal", "show", "5", "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"journal", "show", path, "--roll", "2", "--config", mill, "--json"}, []string{"journal", "show", "--roll", "2", "--engine", "--config", mill, "--json"}, exitDone},
		{[]string{"journal", "export", path, "--kind", "OUTCOME"}, []string{"journal", "export", "--engine", "--kind", "OUTCOME", "--config", mill}, exitDone},
		{[]string{"journal", "export", path, "--format", "csv", "--config", mill}, []string{"journal", "export", "--engine", "--format", "csv", "--config", mill}, exitDone},
		{[]string{"calibrate", path, "--by", "kim", "--config", mill, "--json"}, []string{"calibrate", "--engine", "--by", "kim", "--config", mill, "--json"}, exitDone},
	} {
		here, there := printed(t, c.code, c.here), printed(t, c.code, c.there)
		if here != there || len(here) < 50 {
			t.Errorf("%v:\n%.3000s\n%v:\n%.3000s", c.here, here, c.there, there)
		}
	}
}

// The configuration is read once, and its warnings are told once.
func TestEngineIsReadByOneConfiguration(t *testing.T) {
	d := enginetest.New(t)
	shipped(t, d, "a", demoJournal(t, "9"), 0)
	mill := engineMill(t, d, enginetest.Reader)
	for _, args := range [][]string{
		{"compare"}, {"replay"}, {"replay", "--notice"}, {"calibrate", "--by", "kim"}, {"widths"},
		{"journal", "list"}, {"journal", "show", "--roll", "2"}, {"journal", "export", "--format", "csv"}, {"report"}, {"why", "2"},
	} {
		_, _, errs := call(append(args, "--engine", "--config", mill, "--set", "lines.0.centring.tolerance=200 mm")...)
		if n := strings.Count(errs, "specs.1.overhang: narrower"); n != 1 {
			t.Errorf("%v warns %d times:\n%s", args, n, errs)
		}
	}
	wants(t, called(t, exitFailed, "widths", "--engine", "--config", mill, "--until", "2020-01-01"), "no roll left in that time")
}

// journalName is a journal of the tests: its path, or what it is called in the engine.
var journalName = regexp.MustCompile(`/[^" ]*/north\.db|engine: mill m, line north, machine a, [0-9a-f]{8}`)

// Widths are chosen for what was wrapped.
func TestWidthsOfTheRecord(t *testing.T) {
	d := enginetest.New(t)
	path := demoJournal(t, "5")
	shipped(t, d, "a", path, 0)
	mill := engineMill(t, d, enginetest.Reader)
	table := filepath.Join(t.TempDir(), "rolls.csv")
	var rows []string
	err := journal.ScanRolls(t.Context(), path, time.Time{}, func(uint64, uint64) {}, func(r *record.Roll) error {
		if r.Outcome != nil {
			m := &r.Used().Request.Measured
			rows = append(rows, fmt.Sprintf("%s,%v,%v,%d,%d", m.Tag, m.Width, m.Diameter, m.Grade, m.Core))
		}
		return nil
	})
	if err != nil || len(rows) < 10 {
		t.Fatalf("%d rolls, %v", len(rows), err)
	}
	if err := os.WriteFile(table, []byte("roll,width (m),diameter (m),grade,core\n"+strings.Join(rows, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	here, _, _ := runWidths(t, table, "--config", mill)
	there, _, _ := runWidths(t, "--engine", "--config", mill)
	if here != there || !strings.Contains(here, `"rolls": `+fmt.Sprint(len(rows))) {
		t.Errorf("by a table:\n%s\nby the record:\n%s", here, there)
	}
	wants(t, called(t, exitUsage, "widths", table, "--config", mill, "--since", "today"), "give --engine")
	if none, _, _ := runWidths(t, "--engine", "--config", mill, "--until", "2000-01-01"); none == there {
		t.Error("a time in which nothing was wrapped changes nothing")
	}
}

func runWidths(t *testing.T, args ...string) (out, problems string, code int) {
	t.Helper()
	code, out, problems = call(append([]string{"widths", "--json", "--candidates", "34in,42in,50in,60in,72in"}, args...)...)
	return out, problems, code
}

// printed is what a command prints, less what names the journal.
func printed(t *testing.T, want int, args []string) string {
	t.Helper()
	code, out, problems := call(args...)
	out = journalName.ReplaceAllString(out, "JOURNAL")
	if code != want {
		t.Fatalf("%v ended with %d, want %d: %s", args, code, want, problems)
	}
	if !slices.Contains(args, "--json") {
		return strings.ReplaceAll(strings.TrimPrefix(out, "line,machine,"), "\nnorth,a,", "\n")
	}
	var all strings.Builder
	for d := json.NewDecoder(strings.NewReader(out)); d.More(); {
		var object map[string]any
		if err := d.Decode(&object); err != nil {
			t.Fatal(err)
		}
		for _, key := range []string{"machine", "line", "schema", "arrived"} {
			delete(object, key)
		}
		text, err := json.Marshal(object)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(append(text, '\n'))
	}
	return all.String()
}

// tagOf is the tag of a roll of a journal.
func tagOf(t *testing.T, path string) string {
	t.Helper()
	r, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	list, err := r.List(t.Context(), journal.Filter{Kind: record.KindRequest, Limit: 1})
	if err != nil || len(list) == 0 {
		t.Fatal(err)
	}
	q, ok := list[0].Record.(record.Request)
	if !ok || q.Measured.Tag == "" {
		t.Fatal("the first request has no tag")
	}
	return q.Measured.Tag
}

// Two machines are one report; a gap over what the other holds is filled when its records
// arrive, and what has not arrived is said to have not.
func TestEngineTellsOfBothMachines(t *testing.T) {
	d := enginetest.New(t)
	a := demoJournal(t, "3")
	b := filepath.Join(t.TempDir(), "north.db")
	j, err := journal.Open(t.Context(), b)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range []record.Record{record.Origin{Line: "north", Installation: "b"}, record.Gap{FromIndex: 1, ToIndex: 12, Cause: record.HeldByOther}} {
		if _, err := j.Append(t.Context(), r); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	mill := engineMill(t, d, enginetest.Reader)
	wants(t, called(t, exitFailed, "report", "--engine", "--config", mill), "the engine has no such journal; it has: none")
	shipped(t, d, "b", b, 0)
	shipped(t, d, "a", a, 20)
	report := func(args ...string) string {
		t.Helper()
		return called(t, exitDone, append([]string{"report", "--engine", "--config", mill}, args...)...)
	}
	wants(t, report(), `a, [0-9a-f]{8}`, `b, [0-9a-f]{8}`, `held by the other machine; not\s+yet\s+arrived\s+of it: outcomes`, "arrived up to")
	wants(t, report("--machine", "b"), `held by the other machine; not\s+yet\s+arrived\s+of it: outcomes`)
	shipped(t, d, "a", a, 0)
	wants(t, report("--machine", "b"), "held by the other machine; it has arrived,\\s+in the journal of machine a")
	if text := report("--machine", "b"); strings.Contains(text, "machine a, ") {
		t.Errorf("machine a was not asked for:\n%s", text)
	}
	page := filepath.Join(t.TempDir(), "both.html")
	report("--html", page, "--mill", "all")
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	wants(t, string(text), "it has arrived, in the journal of machine a", "its records have arrived; what came after is not told yet")

	wants(t, called(t, exitDone, "journal", "list", "--engine", "--config", mill, "--kind", "ORIGIN"), "north +a ", "north +b ")
	wants(t, called(t, exitFailed, "report", "--engine", "--config", mill, "--line", "south"), "it has: line north of machine b, line north of machine a")
	wants(t, called(t, exitFailed, "report", "--engine", "--config", mill, "--mill", "elsewhere"), "it has: none")
	wants(t, called(t, exitFailed, "why", "R-NOWHERE", "--engine", "--config", mill), "may not have arrived yet")
	wants(t, called(t, exitUsage, "report", a, "--engine", "--config", mill), "leave "+a+" out, or --engine")
	wants(t, called(t, exitUsage, "journal", "list", a, "--machine", "a"), "give --engine, or leave them out")
	wants(t, called(t, exitUsage, "journal", "verify", a, "--config", mill), "are for --engine")
	wants(t, called(t, exitUsage, "journal", "list", "--engine", "--config", demoOnDisk(t)), "the configuration has no engine")
}

// A record that was changed in the engine is found by whoever reads it.
func TestEngineDamageIsFound(t *testing.T) {
	d := enginetest.New(t)
	path := demoJournal(t, "4")
	shipped(t, d, "a", path, 0)
	mill := engineMill(t, d, enginetest.Reader)
	verify := func(args ...string) string {
		return called(t, exitDifferences, append([]string{"journal", "verify", "--engine", "--config", mill, "--json"}, args...)...)
	}
	d.SQL(t, `UPDATE lapgate.records SET tag = 'other' WHERE seq = (SELECT min(seq) FROM lapgate.records WHERE tag IS NOT NULL)`)
	wants(t, verify(), "NOT SOUND, 1 problem", `it is found as roll \d+, tag ..other..`)
	d.SQL(t, `UPDATE lapgate.records SET body = replace(body, '"boot":', '"boot": ') WHERE seq = (SELECT max(seq) FROM lapgate.records WHERE body LIKE '%"boot":%')`)
	wants(t, verify(), "NOT SOUND, 2 problems", "the record was changed")
	d.SQL(t, `DELETE FROM lapgate.records WHERE seq = 9`)
	wants(t, verify(), "records 9 to 9 are missing")
	wants(t, called(t, exitDifferences, "report", "--engine", "--config", mill), "is damaged at record")
	wants(t, verify("--head", "8:"+strings.Repeat("0", 64)), "the chain was written anew")
	d.SQL(t, `DELETE FROM lapgate.records WHERE seq > 15`)
	wants(t, verify(), `records 16 to \d+ are missing`)
}
