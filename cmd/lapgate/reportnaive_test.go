package main

import (
	"encoding/json"
	"fmt"
	"html"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/record"
	"lapgate/gateway/report"
)

// exportedRecord is one line of an export, as another program reads it: nothing of the
// house decodes it.
type exportedRecord struct {
	Seq  uint64    `json:"seq"`
	At   time.Time `json:"at"`
	Kind string    `json:"kind"`
	Hash string    `json:"hash"`
	Body struct {
		Token    exportedToken `json:"token"`
		Roll     uint32        `json:"roll_no"`
		Payload  []uint16      `json:"payload"`
		Form     string        `json:"kind"`
		Verdict  string        `json:"verdict"`
		Findings []struct {
			Code     string `json:"code"`
			Severity string `json:"severity"`
		} `json:"findings"`
		Outcome struct {
			RollNo, Boot, Req, Scale, EncoderUsed, Start, Ended uint32
			Slot, CrimpTime, Dwell                              uint16
			Outcome                                             string
		} `json:"outcome"`
		Weighing *struct {
			Verdict string `json:"verdict"`
		} `json:"weighing"`
		Armed bool   `json:"armed"`
		By    string `json:"by"`
		Boot  uint32 `json:"boot"`
		Cause string `json:"cause"`
		Start bool   `json:"start"`
	} `json:"body"`
}

type exportedToken struct{ Boot, Req uint32 }

func exportedRecords(t *testing.T, path string) (out []exportedRecord) {
	t.Helper()
	r := lapgate("journal", "export", path)
	wantCode(t, r, exitDone)
	for line := range strings.Lines(r.out) {
		var e exportedRecord
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}

// naive is a report reckoned from an export, the slow way.
type naive struct {
	outcomes, holds, weighed map[string]int
	overhang                 []float64       // m, in the order in which the rolls left
	deviation                []float64       // %
	used                     map[int]float64 // by slot, m
	dwell, stay              []float64       // s
	modes                    []string
	breaks                   int
	gaps                     int
}

// naively reckons the report of the records from one moment to another. Where each
// number stands in a payload is from the description of the protocol, section 4.
func naively(records []exportedRecord, from, to time.Time) *naive {
	n := &naive{outcomes: map[string]int{}, holds: map[string]int{}, weighed: map[string]int{}, used: map[int]float64{}}
	within := func(at time.Time) bool { return !at.Before(from) && at.Before(to) }
	var previous exportedRecord
	begin := 0 // of the numbers of rolls, which begin anew when the controller lost its memory
	for i, e := range records {
		b, o := &e.Body, &e.Body.Outcome
		switch {
		case e.Kind == "MODE" && e.At.Before(from):
			n.modes = []string{fmt.Sprint(b.Armed, b.By)}
		case e.Kind == "MODE" && within(e.At):
			n.modes = append(n.modes, fmt.Sprint(b.Armed, b.By))
		case e.Kind == "GAP" && within(e.At):
			n.gaps++
		case e.Kind == "SESSION" && e.At.After(from) && previous.At.Before(to) && slices.Contains([]string{"link", "controller restarted", "data stale", "no valid read", "controller memory lost", "no answer"}, b.Cause),
			e.Kind == "CONFIG" && b.Start && e.At.After(from) && previous.At.Before(to) && previous.Kind != "ORIGIN":
			n.breaks++
		}
		if e.Kind == "GAP" && b.Boot != 0 {
			begin = i
		}
		previous = e
		if e.Kind != "OUTCOME" || !within(e.At) {
			continue
		}
		n.outcomes[strings.ReplaceAll(o.Outcome, "_", " ")]++
		if o.Slot > 0 && o.EncoderUsed > 0 {
			n.used[int(o.Slot)] += float64(o.EncoderUsed) / 10_000
		}
		if o.Outcome == "wrapped" && o.Dwell > 0 {
			n.dwell = append(n.dwell, float64(o.Dwell)/100)
		}
		if b.Weighing != nil {
			n.weighed[b.Weighing.Verdict]++
		}
		n.roll(records[begin : i+1])
	}
	return n
}

// roll reckons what the records up to the outcome of a roll tell of it.
func (n *naive) roll(records []exportedRecord) {
	last := &records[len(records)-1]
	o := &last.Body.Outcome
	codes, words, came := map[string]bool{}, []uint16(nil), time.Time{}
	for i, e := range records {
		b := &e.Body
		if e.Kind == "OUTCOME" && b.Outcome.RollNo == o.RollNo && i < len(records)-1 {
			codes, words, came = map[string]bool{}, nil, time.Time{}
		}
		if b.Roll != o.RollNo || !slices.Contains([]string{"REQUEST", "INTENT", "SHADOW"}, e.Kind) {
			continue
		}
		if e.Kind == "REQUEST" {
			if came.IsZero() {
				came = e.At
			}
			continue
		}
		for _, f := range b.Findings {
			if f.Severity == "hold" {
				codes[f.Code] = true
			}
		}
		if b.Token == (exportedToken{o.Boot, o.Req}) {
			words = b.Payload
			if b.Form == "hold" || b.Verdict == "hold" {
				words = nil
			}
		}
	}
	for c := range codes {
		n.holds[c]++
	}
	if !came.IsZero() {
		n.stay = append(n.stay, last.At.Sub(came).Seconds())
	}
	if words == nil {
		return
	}
	long := func(i int) float64 { return float64(uint32(words[i])<<16 | uint32(words[i+1])) }
	n.overhang = append(n.overhang, (float64(words[34])-long(31))/10_000/2)
	if gross := long(60) / 10; o.Scale > 0 && gross > 0 && strings.HasPrefix(o.Outcome, "wrapped") {
		n.deviation = append(n.deviation, (float64(o.Scale)/10-gross)/gross*100)
	}
}

// TestReportEqualsTheRecord: each figure of a report is that of the records as another
// program would reckon it, of the whole journal and of a part of it.
func TestReportEqualsTheRecord(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a long reckoning of one goroutine")
	}
	dir := t.TempDir()
	r := lapgate("demo", "--rolls", "50", "--speed", "2000", "--seed", "5", "--journal", dir,
		"--fault", "link-cut,controller-restart,memory-lost,permissive-drop,remove-roll,no-wrapper,manual-mode,stale-scan")
	wantCode(t, r, exitDone)
	path, demo := filepath.Join(dir, "north.db"), demoFile(t, "demo.yaml")
	records := exportedRecords(t, path)
	last := &records[len(records)-1]
	var left []time.Time
	for _, e := range records {
		if e.Kind == "OUTCOME" {
			left = append(left, e.At)
		}
	}
	for _, c := range []struct{ from, to time.Time }{{time.Time{}, last.At.Add(time.Hour)}, {left[len(left)/3], left[2*len(left)/3]}} {
		args := []string{"report", path, "--json", "--config", demo, "--html", filepath.Join(t.TempDir(), "shift.html"), "--until", c.to.Format(time.RFC3339Nano)}
		if !c.from.IsZero() {
			args = append(args, "--since", c.from.Format(time.RFC3339Nano))
		}
		got := answered[report.Shift](t, exitDone, args)
		want := naively(records, c.from, c.to)
		if got.Head != fmt.Sprintf("%d:%s", last.Seq, last.Hash) || len(got.Gaps) != want.gaps || len(got.Breaks) != want.breaks {
			t.Errorf("head %s, %d gaps, %d breaks, want %d:%s, %d, %d", got.Head, len(got.Gaps), len(got.Breaks), last.Seq, last.Hash, want.gaps, want.breaks)
		}
		sameCounts(t, &got, want)
		sameFigures(t, &got, want)
		page, err := os.ReadFile(args[6])
		if err != nil {
			t.Fatal(err)
		}
		pageHas(t, html.UnescapeString(string(page)), &got, want)
		sameChanges(t, path, &got, c.from, c.to)
	}
	// What a whole shift under faults must have shown.
	if all := naively(records, time.Time{}, last.At.Add(time.Hour)); len(all.holds) < 2 || len(all.outcomes) < 3 || all.breaks < 2 || len(all.deviation) < 30 {
		t.Errorf("the shift has too little to look at: %+v", all)
	}
}

func sameCounts(t *testing.T, got *report.Shift, want *naive) {
	t.Helper()
	rolls := 0
	for _, c := range got.Outcomes {
		rolls += c.Rolls
		if want.outcomes[c.Name] != c.Rolls {
			t.Errorf("%d rolls %s, want %d", c.Rolls, c.Name, want.outcomes[c.Name])
		}
	}
	if rolls != len(got.Rolls) {
		t.Errorf("%d outcomes of %d rolls", rolls, len(got.Rolls))
	}
	share, all := 0, 0
	for _, n := range want.holds {
		all += n
	}
	for _, h := range got.Holds {
		share += h.Rolls
		if want.holds[string(h.Code)] != h.Rolls || math.Abs(h.Share-100*float64(share)/float64(all)) > 1e-9 {
			t.Errorf("%+v, want %d", h, want.holds[string(h.Code)])
		}
	}
	if share != all {
		t.Errorf("%d holds, want %d", share, all)
	}
	var modes []string
	for _, m := range got.Modes {
		modes = append(modes, fmt.Sprint(m.State == "armed", m.By))
	}
	if !slices.Equal(modes, want.modes) {
		t.Errorf("modes %v, want %v", modes, want.modes)
	}
}

func sameFigures(t *testing.T, got *report.Shift, want *naive) {
	t.Helper()
	near := func(what string, a, b float64) {
		if math.Abs(a-b) > 1e-6*(1+math.Abs(b)) {
			t.Errorf("%s is %g, want %g", what, a, b)
		}
	}
	sum, n := 0.0, 0
	for i := range got.Rolls {
		if o := got.Rolls[i].Overhang; o != nil {
			if n < len(want.overhang) {
				near("an overhang", *o, want.overhang[n])
			}
			n++
			sum += *o
		}
	}
	if n != len(want.overhang) || got.Overhangs.Rolls != n {
		t.Errorf("%d overhangs, want %d", n, len(want.overhang))
	}
	near("the mean overhang", got.Overhangs.Mean, sum/float64(n))
	mean, squares := 0.0, 0.0
	for _, d := range want.deviation {
		mean += d / float64(len(want.deviation))
	}
	for _, d := range want.deviation {
		squares += (d - mean) * (d - mean)
	}
	near("the mean deviation", got.Weighed.Mean, mean)
	near("the spread", *got.Weighed.SD, math.Sqrt(squares/float64(len(want.deviation)-1)))
	for _, v := range got.Weighed.Verdicts {
		near("weighings "+v.Name, float64(v.Rolls), float64(want.weighed[v.Name]))
	}
	used := map[int]float64{}
	for _, w := range got.Wrappers {
		used[w.Slot] += w.Used
	}
	for slot := 1; slot <= 6; slot++ {
		near(fmt.Sprintf("what was used of slot %d", slot), used[slot], want.used[slot])
	}
	for _, s := range got.Times {
		list := map[string][]float64{"press": want.dwell, "at the station, request to leaving": want.stay}[s.Step]
		if list == nil {
			continue
		}
		slices.Sort(list)
		near("the rolls of "+s.Step, float64(s.Rolls), float64(len(list)))
		near("the least of "+s.Step, s.Least, list[0])
		near("the median of "+s.Step, s.Median, (list[(len(list)-1)/2]+list[len(list)/2])/2)
	}
}

// pageHas holds the page to the same figures.
func pageHas(t *testing.T, page string, got *report.Shift, want *naive) {
	t.Helper()
	texts := []string{fmt.Sprintf("<b>%d</b>rolls left", len(got.Rolls)), got.Head, report.Percent(got.Weighed.Mean) + " %"}
	for name, n := range want.outcomes {
		texts = append(texts, fmt.Sprintf("<b>%d</b>%s", n, name))
	}
	for code, n := range want.holds {
		texts = append(texts, fmt.Sprintf(`</tspan> %s</text>`, code), fmt.Sprintf(`<tspan class="key">%d</tspan>`, n))
	}
	for i := range got.Rolls {
		if r := &got.Rolls[i]; r.Tag != "" {
			texts = append(texts, ">"+r.Tag+"</a>")
		}
	}
	for _, text := range texts {
		if !strings.Contains(page, text) {
			t.Errorf("the page lacks %s", text)
		}
	}
}

// sameChanges holds what people did to what journal changes tells.
func sameChanges(t *testing.T, path string, got *report.Shift, from, to time.Time) {
	t.Helper()
	args := []string{"journal", "changes", path, "--json", "--until", to.Format(time.RFC3339Nano)}
	if !from.IsZero() {
		args = append(args, "--since", from.Format(time.RFC3339Nano))
	}
	var want []record.Told
	for line := range strings.Lines(lapgate(args...).out) {
		var one record.Told
		if err := json.Unmarshal([]byte(line), &one); err != nil {
			t.Fatal(err)
		}
		want = append(want, one)
	}
	if fmt.Sprint(got.Changes) != fmt.Sprint(want) && len(got.Changes)+len(want) > 0 {
		t.Errorf("changes %v, want %v", got.Changes, want)
	}
}
