package main

import (
	"encoding/csv"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/replay"
	"lapgate/recipe/quantity"
)

func compared(tb testing.TB, code int, args ...string) compareResult {
	tb.Helper()
	return answered[compareResult](tb, code, append([]string{"compare", "--json"}, args...))
}

func TestCompare(t *testing.T) {
	// Every roll gets 10 mm less overlap, every other 20 ms more crimp time;
	// roll 30 gets another slot, roll 40 is removed, and roll 50 has no scale.
	const rolls = 60
	held, crimped := 0, 0
	path := shadowJournal(t, t.TempDir(), demoSnapshot(t), rolls, func(i int, p *handshake.Payload, o *handshake.Outcome) {
		if i == 40 {
			o.Outcome = handshake.Removed
			return
		}
		if p.Kind == handshake.KindHold {
			o.Outcome = handshake.Removed
			held++
			return
		}
		o.Overlap -= 100
		if i%2 == 0 {
			o.CrimpTime += 2
			crimped++
		}
		if i == 30 {
			o.Slot = p.Slot%6 + 1
		}
		if i == 50 {
			o.Scale = 0
		}
	})
	got := compared(t, exitDifferences, path)
	n := rolls - held - 1
	want := replay.Coverage{Outcomes: rolls, Wrapped: n, NotWrapped: rolls - n}
	if got.Coverage != want || got.Compared != n || got.Held != 0 || got.Exceeding != 1 || len(got.Rolls) != n || held == 0 {
		t.Fatalf("%d held; coverage %+v, %d compared, %d exceed", held, got.Coverage, got.Compared, got.Exceeding)
	}
	for _, f := range got.Setpoints {
		switch f.Name {
		case "overlap_m":
			if math.Abs(*f.Mean+0.01) > 1e-9 || math.Abs(*f.SD) > 1e-9 || math.Abs(*f.Worst+0.01) > 1e-9 || f.Compared != n {
				t.Errorf("overlap: mean %v, spread %v, worst %v of %d", *f.Mean, *f.SD, *f.Worst, f.Compared)
			}
		case "crimp_time_s":
			share := float64(crimped) / float64(n)
			sd := 0.02 * math.Sqrt(share*(1-share)*float64(n)/float64(n-1))
			if math.Abs(*f.Mean-0.02*share) > 1e-9 || math.Abs(*f.SD-sd) > 1e-9 {
				t.Errorf("crimp time: mean %v, want %v; spread %v, want %v", *f.Mean, 0.02*share, *f.SD, sd)
			}
		case "wrapper_slot":
			if f.Mean != nil || f.Exceeding != 1 || f.Compared != n {
				t.Errorf("slot: %+v", f)
			}
		case "gross_kg":
			if f.Compared != n-1 || f.NotReported != 1 || *f.Mean != 0 {
				t.Errorf("gross mass: %+v", f)
			}
		default:
			if f.Compared != n || *f.Mean != 0 || f.Exceeding != 0 {
				t.Errorf("%s: %+v", f.Name, f)
			}
		}
	}
	text := lapgate("compare", path, "--worst", "1", "--config", demoFile(t, "demo.yaml"))
	wantCode(t, text, exitDifferences)
	if _, list, _ := strings.Cut(text.out, "rolls that differ most\n"); !strings.HasPrefix(list, "  30 S-000030 (wrapped by hand): wrapper slot ") || strings.Count(list, "\n") != 1 {
		t.Errorf("the worst roll is not told first:\n%s", text.out)
	}
	if !strings.Contains(text.out, "-0.3937 in") {
		t.Errorf("the overlap is not told in inches:\n%s", text.out)
	}

	// Tolerances: none for the overlap makes every roll differ.
	tight := compared(t, exitDifferences, path, "--tolerance", "overlap=9.9 mm")
	if tight.Exceeding != n {
		t.Errorf("%d exceed, want %d", tight.Exceeding, n)
	}
	if wide := compared(t, exitDifferences, path, "--tolerance", "overlap=10 mm"); wide.Exceeding != 1 {
		t.Errorf("%d exceed, want 1", wide.Exceeding)
	}
	compared(t, exitDone, path, "--tolerance", "wrapper_slot=5")

	rows := lapgate("compare", "--csv", path)
	wantCode(t, rows, exitDifferences)
	list, err := csv.NewReader(strings.NewReader(rows.out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	exceed := 0
	for _, r := range list[1:] {
		if r[12] == "yes" {
			exceed++
		}
		if r[6] == "overlap_m" && r[10] != "-0.01" {
			t.Errorf("roll %s: overlap differs by %s m, want -0.01", r[0], r[10])
		}
	}
	if exceed != 1 {
		t.Errorf("CSV has %d that exceed, want 1", exceed)
	}

	drawing := filepath.Join(t.TempDir(), "north.svg")
	wantCode(t, lapgate("compare", path, "--svg", drawing), exitDifferences)
	svg, err := os.ReadFile(drawing)
	if err != nil {
		t.Fatal(err)
	}
	elements := wellFormed(t, string(svg))
	if points := elements["circle"]; points != n*len(replay.Usages())-1 {
		t.Errorf("%d points, want one for each roll and setpoint but one: %d", points, n*len(replay.Usages())-1)
	}
	if strings.Count(string(svg), `class="o"`) != 1 {
		t.Error("not just the one roll out of tolerance is marked")
	}
	if !strings.Contains(string(svg), "overlap, used less ours (m)") {
		t.Error("an axis lacks its name with the unit")
	}
}

// A roll that was wrapped though we would have held it is a difference.
func TestCompareHeldRolls(t *testing.T) {
	held := 0
	path := shadowJournal(t, t.TempDir(), demoSnapshot(t), 60, func(_ int, p *handshake.Payload, _ *handshake.Outcome) {
		if p.Kind == handshake.KindHold {
			held++
		}
	})
	got := compared(t, exitDifferences, path)
	if held == 0 || got.Held != held || got.Exceeding != 0 || got.Compared != 60-held {
		t.Errorf("%d held: %+v", held, got.Coverage)
	}
	text := lapgate("compare", path, "--worst", "2")
	wantCode(t, text, exitDifferences)
	if _, list, _ := strings.Cut(text.out, "rolls wrapped though we would have held them\n"); strings.Count(list, ": no-slot\n") != 2 {
		t.Errorf("the first two rolls with their reason are not told:\n%s", text.out)
	}
}

// wellFormed counts the elements of an SVG, and wants none that runs or loads
// anything.
func wellFormed(t *testing.T, text string) map[string]int {
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
			if strings.HasPrefix(strings.ToLower(a.Name.Local), "on") || a.Name.Local == "href" {
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

func TestDrawPanels(t *testing.T) {
	for _, n := range []int{0, 1, 2, mostPoints, mostPoints + 1, 20000} {
		var g panel
		g.title, g.unit, g.across = "a < b & c", "mm", "roll"
		for i := range n {
			g.points = append(g.points, point{x: float64(i + 1), y: math.Sin(float64(i)), band: 0.5, out: i == n/2})
		}
		var panels []panel
		if n > 0 {
			panels = append(panels, g)
		}
		text := drawPanels("<title>", panels)
		elements := wellFormed(t, text)
		switch {
		case n <= mostPoints && elements["circle"] != n:
			t.Errorf("%d points drawn, want %d", elements["circle"], n)
		case n > mostPoints && len(text) > 200<<10:
			t.Errorf("%d points make %d bytes", n, len(text))
		}
		if n > 0 && strings.Count(text, `class="o"`)+strings.Count(text, `class="x"`) != 1 {
			t.Errorf("%d points: the one out of tolerance is not marked once", n)
		}
	}
	flat := panel{title: "flat", points: []point{{x: 1}, {x: 2}}}
	wellFormed(t, drawPanels("flat", []panel{flat}))
}

func TestTicks(t *testing.T) {
	for _, c := range []struct{ least, most float64 }{{0, 1}, {-1, 1}, {-0.003, 0.02}, {0, 99999}, {1e-9, 2e-9}, {-7, -2}} {
		ticks := ticksOf(c.least, c.most, 5)
		if len(ticks) < 3 || len(ticks) > 9 || ticks[0] > c.least || ticks[len(ticks)-1] < c.most {
			t.Errorf("%v to %v: ticks %v", c.least, c.most, ticks)
		}
	}
}

func TestTolerances(t *testing.T) {
	for _, c := range []struct {
		text string
		want replay.Tolerance
		err  string
	}{
		{"overlap=1 in", replay.Tolerance{Abs: 0.0254}, ""},
		{"feed_length = 3 %", replay.Tolerance{Rel: 0.03}, ""},
		{"header_temperature=9 °F", replay.Tolerance{Abs: 5}, ""},
		{"header_temperature=9F", replay.Tolerance{Abs: 5}, ""},
		{"header_temperature=5 °C", replay.Tolerance{Abs: 5}, ""},
		{"layers=0.5", replay.Tolerance{Abs: 0.5}, ""},
		{"gross=10 kg", replay.Tolerance{Abs: 10}, ""},
		{"overlap", replay.Tolerance{}, "want a setpoint and an amount"},
		{"glue=1 g", replay.Tolerance{}, "no setpoint compared is named"},
		{"overlap=1 kg", replay.Tolerance{}, "kg"},
		{"overlap=-1 mm", replay.Tolerance{}, "want 0 or more"},
		{"overlap=200 %", replay.Tolerance{}, "want 0 to 100"},
		{"overlap=NaN %", replay.Tolerance{}, "want 0 to 100"},
		{"overlap=5", replay.Tolerance{}, "5"},
	} {
		usages := replay.Usages()
		err := setTolerance(usages, c.text)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%s: got %v, want an error with %q", c.text, err, c.err)
			}
			continue
		}
		name, _, _ := strings.Cut(c.text, "=")
		for _, u := range usages {
			if u.Field.Word() == strings.TrimSpace(name) {
				got := u.Tolerance
				if err != nil || math.Abs(got.Abs-c.want.Abs) > 1e-9 || math.Abs(got.Rel-c.want.Rel) > 1e-9 || got.Scale {
					t.Errorf("%s: got %+v, %v, want %+v", c.text, got, err, c.want)
				}
			}
		}
	}
}

// Every unit of the register map is a quantity or known to be none, so that
// nothing is shown in a unit that it does not have.
func TestEveryWireUnitIsKnown(t *testing.T) {
	for _, id := range handshake.IDs() {
		for _, f := range handshake.Fields(id) {
			u := wireUnitOf(f.Unit)
			if u.dim == quantity.None {
				if f.Unit != "" && f.Unit != "%" {
					t.Errorf("%s: unit %q has no dimension", f.Name, f.Unit)
				}
				continue
			}
			held, err := quantity.Parse("1 "+f.Unit, u.dim)
			if err != nil || math.Abs(held-u.factor) > 1e-12 {
				t.Errorf("%s: 1 %s is %v, %v; want %v", f.Name, f.Unit, held, err, u.factor)
			}
		}
	}
	line := demoSnapshot(t).Lines[0].Recipe
	for _, c := range []struct {
		value float64
		unit  string
		want  string
	}{{5, "°C", "+9 °F"}, {-25.4, "mm", "-1 in"}, {0, "s", "0 s"}, {0.01, "%", "+0.01 %"}, {2, "", "+2"}} {
		if got := wireChange(c.value, c.unit, line); got != c.want {
			t.Errorf("change of %s %s is told as %q, want %q", strconv.FormatFloat(c.value, 'g', -1, 64), c.unit, got, c.want)
		}
	}
	if got := wireText(100, "°C", line); got != "212 °F" {
		t.Errorf("100 °C is told as %q, want 212 °F", got)
	}
}
