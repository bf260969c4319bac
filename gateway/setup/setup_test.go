package setup_test

import (
	"bufio"
	"bytes"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/config"
	"lapgate/gateway/setup"
)

// answersOf are the answers that a configuration tells at its top.
func answersOf(text []byte) setup.Answers {
	a := setup.Answers{}
	for in := bufio.NewScanner(bytes.NewReader(text)); in.Scan(); {
		if flag, ok := strings.CutPrefix(in.Text(), "#   --"); ok {
			name, answer, _ := strings.Cut(flag, " ")
			a[name] = strings.Trim(answer, "'")
		}
	}
	return a
}

// Each mill of testdata/mills is what its answers make, word for word; the daemon takes
// it, and all that it warns of is a link that is not encrypted.
func TestMillsComeFromTheirAnswers(t *testing.T) {
	files, err := filepath.Glob("../../testdata/mills/*.yaml")
	if err != nil || len(files) != 10 {
		t.Fatalf("%d mills, %v", len(files), err)
	}
	for _, file := range files {
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		got, err := setup.Text(answersOf(want))
		if err != nil || got != string(want) {
			t.Errorf("%s: %v; got\n%s", file, err, got)
			continue
		}
		s, err := config.Load(config.Source{Path: file, Bytes: want})
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Open) < 20 {
			t.Errorf("%s: %d values are open", file, len(s.Open))
		}
		for _, w := range s.Warnings {
			few := w.Key == "lines.0.stand.slots" && len(s.Lines[0].Recipe.Stand.Slots) < 4
			if !few && !strings.HasSuffix(w.Key, "controller.plain") {
				t.Errorf("%s", w)
			}
		}
		for i, line := range strings.Split(got, "\n") {
			if strings.Contains(line, ": open #") && strings.HasSuffix(strings.TrimSpace(line), "#") {
				t.Errorf("%s:%d does not tell how it is measured: %s", file, i+1, line)
			}
		}
	}
}

func example() setup.Answers {
	a := setup.Answers{}
	for _, q := range setup.Questions() {
		a[q.Name] = q.Example
	}
	return a
}

// The examples of the questions together make a mill, and each is taken alone.
func TestExamples(t *testing.T) {
	if _, err := setup.Text(example()); err != nil {
		t.Error(err)
	}
	if n := len(setup.Questions()); n != 10 {
		t.Errorf("%d questions", n)
	}
	for name, answer := range example() {
		if err := setup.Check(name, answer); err != nil {
			t.Error(err)
		}
	}
}

// What is wrong with an answer is told with what was got, what is wanted and an example.
func TestWrongAnswers(t *testing.T) {
	for _, c := range []struct{ name, answer, want string }{
		{"units", "both", `units: got "both"; want metric or inch`},
		{"name", "east line", "no plain name"},
		{"controller", "192.0.2.10", "missing port"},
		{"sizes", "600 mm..1400 mm", "want DIAMETERS x WIDTHS"},
		{"sizes", "600..1400 mm x 500 mm..2400 mm", "sizes: "},
		{"hanging", "1050, brown", "hanging: "},
		{"hanging", "1 m, a; 1 m, a; 1 m, a; 1 m, a; 1 m, a; 1 m, a; 1 m, a", "got 7 slots"},
		{"heads", "board, nailed, 177 °C, 600 mm", `"nailed" is no way`},
		{"heads", "board, fused, 177 °C, 1400 mm..600 mm by 50 mm", "gives no list of sizes"},
		{"grades", "0, news, open", `"0" is no code`},
		{"grades", "1, news, 640", "grades: "},
		{"cores", "1, slim", `got "1, slim"`},
		{"speeds", "0.6 m/s", "speeds: "},
		{"stations", "oven, manual", `no station is called "oven"`},
		{"stations", "scale, broken", `"broken" is no way`},
		{"stations", "scale, manual, 30 mm", "stations: got"},
		{"stations", "scale, manual; scale, absent", "scale is told of twice"},
		{"heads", "board, fused, 177 °C, 600 mm..1400 mm by 0 mm", "gives no list of sizes"},
		{"heads", "board, fused, 177 °C, 600 mm..1400 mm by 1 mm", "gives no list of sizes"},
	} {
		if err := setup.Check(c.name, c.answer); err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "as in ") {
			t.Errorf("%s %q: %v, want %q", c.name, c.answer, err, c.want)
		}
	}
	for name, c := range map[string]struct {
		set  setup.Answers
		want string
	}{
		"all of them":       {setup.Answers{"units": "x", "cores": "y"}, "cores: "},
		"nothing":           {setup.Answers{"units": ""}, "without an answer: units"},
		"unknown head":      {setup.Answers{"grades": "1, news, open, tin"}, `grade news has head "tin"`},
		"two kinds of head": {setup.Answers{"heads": "a, fused, 177 °C, 600 mm; b, fused, 177 °C, 700 mm"}, `grade news has head ""`},
		"unknown heads":     {setup.Answers{"grades": "1, news, open, tin; 2, kraft, open, zinc"}, "has head \"tin\"; want one of those in stock\ngrades: grade kraft has head \"zinc\""},
		"two of a name":     {setup.Answers{"cores": "1, slim, 96 mm; 2, slim, 100 mm"}, "name used twice"},
	} {
		a := example()
		maps.Copy(a, c.set)
		if _, err := setup.Text(a); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}
