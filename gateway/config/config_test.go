package config_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// golden compares got with a file, or rewrites it with -update.
func golden(t *testing.T, path, got string) {
	t.Helper()
	if *config.Update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s\ngot\n%swant\n%s", path, got, want)
	}
}

func lines(ps []config.Problem) string {
	var b strings.Builder
	for _, p := range ps {
		b.WriteString(p.String() + "\n")
	}
	return b.String()
}

// Each file of testdata/config/bad is refused with exactly the problems of the
// text file beside it.
func TestBadConfigurations(t *testing.T) {
	files, err := filepath.Glob("../../testdata/config/bad/*.yaml")
	if err != nil || len(files) < 60 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		name := filepath.Base(file)
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			s, err := config.Load(config.Source{Path: name, Bytes: data})
			var e *config.Error
			if !errors.As(err, &e) || s != nil || len(e.Problems) == 0 {
				t.Fatalf("accepted: %v, %v", s, err)
			}
			for _, p := range e.Problems {
				if p.Text == "" || p.Got == "" || p.Want == "" || p.Remedy == "" || p.Line == 0 || p.Col == 0 {
					t.Errorf("incomplete: %+v", p)
				}
				if last := strings.Count(string(data), "\n") + 1; p.Line > last {
					t.Errorf("line %d of %d: %s", p.Line, last, p)
				}
			}
			if !slices.IsSortedFunc(e.Problems, func(a, b config.Problem) int { return a.Line - b.Line }) {
				t.Error("problems not in order of position")
			}
			golden(t, strings.TrimSuffix(file, ".yaml")+".txt", lines(e.Problems))
		})
	}
}

// A refusal shows what it is about in its line, nothing of what stands beside it
// there, and closes with the number of problems.
func TestRefusalPoints(t *testing.T) {
	const text = "papers:\n  - {name: kraft, caliper: \"1,2 mm\"}\nlines:\n  - name: ä\n    controller: {pasword: hunter2, addrss: x}\n    wrap:\n      speed: 20 ft/s\n"
	_, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(text)})
	if err == nil {
		t.Fatal("accepted")
	}
	got := err.Error()
	var e *config.Error
	errors.As(err, &e)
	for _, want := range []string{
		"\n    caliper: \"1,2 mm\"\n              ^\n",
		"\n    addrss\n    ^\n",
		"want 0.03281 ft/s..16.4 ft/s); write a value within 0.03281 ft/s..16.4 ft/s\n    speed: 20 ft/s\n           ^\n",
		fmt.Sprintf("\n%d problems", len(e.Problems)),
	} {
		if !strings.Contains(got+"\n", want) {
			t.Errorf("not in it: %q", want)
		}
	}
	if strings.Contains(got, "hunter2") {
		t.Error("it shows what stands beside a misspelt key")
	}
	if t.Failed() {
		t.Log(got)
	}
}

// Each file of testdata/config/warn is taken, with exactly the warnings of the
// text file beside it.
func TestWarnings(t *testing.T) {
	files, err := filepath.Glob("../../testdata/config/warn/*.yaml")
	if err != nil || len(files) < 8 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		name := filepath.Base(file)
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			s, err := config.Load(config.Source{Path: name, Bytes: data})
			if err != nil {
				t.Fatal(err)
			}
			golden(t, strings.TrimSuffix(file, ".yaml")+".txt", lines(s.Warnings))
		})
	}
}

// A file of nothing but nesting is refused as soon as it is looked at, however deep: its
// cost does not grow with the square of a line.
func TestDeepNesting(t *testing.T) {
	if testing.Short() {
		t.Skip("a long reckoning of one goroutine")
	}
	const levels = 1<<19 - 10 // a file of the greatest size allowed
	for _, text := range []string{
		"a: " + strings.Repeat("[", levels), "a: " + strings.Repeat("{", levels), strings.Repeat("- ", levels), strings.Repeat("? ", levels),
		strings.Repeat("{a: ", levels/2),
	} {
		_, err := config.Load(config.Source{Path: "deep.yaml", Bytes: []byte(text)})
		if err == nil || !strings.Contains(err.Error(), "nested too deeply") && !strings.Contains(err.Error(), "configuration too large") {
			t.Errorf("%.8s…: got %.200v", text, err)
		}
	}
}

// One gateway may serve 500 lines, each with all that a line of the demonstration says.
func TestManyLines(t *testing.T) {
	if testing.Short() {
		t.Skip("a long reckoning of one goroutine")
	}
	const lines = 500
	head, line, ok := strings.Cut(string(configs.Demo()), "\nlines:\n")
	if !ok || strings.Count(line, "name: north") != 1 {
		t.Fatal("the demonstration has not one line")
	}
	text := head + "\nlines:\n"
	for i := range lines {
		text += strings.NewReplacer("name: north", fmt.Sprintf("name: line-%d", i), "127.0.0.1:1502", fmt.Sprintf("127.0.0.1:%d", 2000+i)).Replace(line)
	}
	s, err := config.Load(config.Source{Path: "lines.yaml", Bytes: []byte(text)})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Lines) != lines {
		t.Errorf("got %d lines", len(s.Lines))
	}
}

func TestUnreadableFiles(t *testing.T) {
	dir := t.TempDir()
	large := filepath.Join(dir, "large.yaml")
	if err := os.WriteFile(large, bytes.Repeat([]byte("# much\n"), 1<<18), 0o600); err != nil {
		t.Fatal(err)
	}
	words := []byte(strings.Repeat("a: 1\n", 60000))
	for _, tt := range []struct {
		src  config.Source
		want string
	}{
		{config.Source{}, "config: no configuration (got no file name"},
		{config.Source{Path: filepath.Join(dir, "absent.yaml")}, "absent.yaml: cannot read the configuration (got no such file or directory"},
		{config.Source{Path: dir}, "cannot read the configuration (got is a directory"},
		{config.Source{Path: large}, "large.yaml:1:1: configuration too large (got over 1048576 bytes"},
		{config.Source{Path: "words.yaml", Bytes: words}, "words.yaml:1:1: configuration too large (got 180000 words"},
	} {
		s, err := config.Load(tt.src)
		var e *config.Error
		if s != nil || !errors.As(err, &e) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %q", tt.src.Path, err, tt.want)
		}
	}
}

func load(t *testing.T, src config.Source) *config.Snapshot {
	t.Helper()
	if src.Bytes == nil {
		src.Bytes = []byte(sparse)
	}
	if src.Path == "" {
		src.Path = "mill.yaml"
	}
	s, err := config.Load(src)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func effective(t *testing.T, s *config.Snapshot, key string) config.Value {
	t.Helper()
	all := s.Effective()
	i := slices.IndexFunc(all, func(v config.Value) bool { return v.Key == key })
	if i < 0 {
		t.Fatalf("no value %s", key)
	}
	return all[i]
}

func TestPrecedence(t *testing.T) {
	file := "log: {level: warn}\n" + sparse
	env := []string{"LAPGATE_LOG_LEVEL=error", "LAPGATE_CONFIG=other.yaml", "PATH=/bin"}
	set := map[string]string{"log.level": "debug"}
	for _, tt := range []struct {
		src  config.Source
		want config.Value
	}{
		{config.Source{}, config.Value{"log.level", "info", "default", ""}},
		{config.Source{Bytes: []byte(file)}, config.Value{"log.level", "warn", "mill.yaml:1", ""}},
		{config.Source{Bytes: []byte(file), Env: env}, config.Value{"log.level", "error", "environment LAPGATE_LOG_LEVEL", ""}},
		{config.Source{Bytes: []byte(file), Env: env, Set: set}, config.Value{"log.level", "debug", "flag --set", ""}},
		{config.Source{Set: set}, config.Value{"log.level", "debug", "flag --set", ""}},
	} {
		s := load(t, tt.src)
		if got := effective(t, s, "log.level"); got != tt.want {
			t.Errorf("got %+v, want %+v", got, tt.want)
		}
		if s.Log.Level != tt.want.Value || len(doubts(s)) > 0 {
			t.Errorf("level %s, warnings %v", s.Log.Level, s.Warnings)
		}
	}
}

func TestSetReachesLists(t *testing.T) {
	s := load(t, config.Source{Set: map[string]string{
		"lines.0.controller.address":               "192.0.2.77:1502",
		"lines.0.drives.crimper.slip_compensation": "true",
		"lines.0.limits.diameter":                  "20 in..60 in",
		"lines.0.stand.slots.0.width":              "1500 mm",
		"lines.0.controller.times.poll":            "200 ms",
		"specs.0.overhang.optimum":                 "4.5 in",
		"grades.0.name":                            "7",
		"lines.0.limits.permissives":               "0x0F",
	}})
	l := s.Lines[0]
	if l.Controller.Address != "192.0.2.77:1502" || !l.Recipe.Drives.Crimper.Compensate || l.Recipe.Stand.Slots[0].Width != 1.5 ||
		l.Recipe.Limits.Diameter != (recipe.Range{Min: 0.508, Max: 1.524}) || l.Controller.Times.Poll != 200*time.Millisecond ||
		s.Materials.Specs[0].Overhang.Optimum != 0.1143 || s.Materials.Grades[0].Name != "7" || l.Recipe.Limits.Permissives != 0xF {
		t.Errorf("%+v", l)
	}
	if got := l.Recipe.Origins.Of("limits.diameter"); got != "flag --set" {
		t.Errorf("origin %q", got)
	}
}

func TestBadOverrides(t *testing.T) {
	_, err := config.Load(config.Source{
		Path: "mill.yaml", Bytes: []byte("log: {level: loud}\n" + sparse),
		Env: []string{"LAPGATE_LOG_FORMAT=xml", "LAPGATE_STATUS_LISTEN=", "LAPGATE_LOG_LEVELS=info", "LAPGATE_JOURNAL_DIRECTORY=/var/lib/x"},
		Set: map[string]string{
			"lines.1.drives.crimper.slip_compensation":    "true",
			"lines.0.drives.crimper.slip_compensation":    "yes",
			"lines.0.controller.adress":                   "x:1",
			"lines.0.wrap.speed":                          "5",
			"lines.0.wrap":                                "5",
			"lines.0.name.first":                          "x",
			"lines.zero.drives.crimper.slip_compensation": "true",
			"Lines.0.drives.crimper.slip_compensation":    "true",
			"lines..drives.crimper.slip_compensation":     "true",
			"wrap.speed":                 "1 m/s",
			"specs":                      "none",
			"lines.0.stand.slots.0":      "1",
			"lines.0.limits.header_temp": "1 °C",
		},
	})
	var e *config.Error
	if !errors.As(err, &e) {
		t.Fatal(err)
	}
	golden(t, "../../testdata/config/overrides.txt", lines(e.Problems)+"warnings\n"+lines(e.Warnings))
}

func TestHash(t *testing.T) {
	base := load(t, config.Source{})
	same := load(t, config.Source{Bytes: []byte("# a remark\nunits: {length: mm}\n" + strings.Replace(sparse, "50 in", "1270 mm", 1))})
	if base.Hash != same.Hash || base.Hash == 0 {
		t.Errorf("the same in other words: %08x and %08x", base.Hash, same.Hash)
	}
	seen := map[uint32]string{base.Hash: "base"}
	for _, set := range []map[string]string{
		{"lines.0.drives.crimper.slip_compensation": "true"},
		{"lines.0.wrap.speed": "601 mm/s"},
		{"lines.0.wrap.speed": "600.0000000001 mm/s"},
		{"lines.0.equipment.glue": "manual"},
		{"papers.0.caliper": "0.3 mm"},
		{"specs.0.layers": "4"},
		{"lines.0.limits.permissives": "0x1F"},
	} {
		h := load(t, config.Source{Set: set}).Hash
		if was, ok := seen[h]; ok {
			t.Errorf("%v has the hash of %s", set, was)
		}
		seen[h] = "another"
	}
}

func TestOrigins(t *testing.T) {
	s := load(t, config.Source{Bytes: []byte(sparse + "    limits:\n      diameter: 20 in..60 in\n    drives: {crimper: {slip_compensation: true}}\n")})
	o := s.Lines[0].Recipe.Origins
	for key, want := range map[string]string{
		"limits.diameter":                  "mill.yaml:15",
		"limits.width":                     "default",
		"drives.crimper.slip_compensation": "mill.yaml:16",
		"stand.slots.0.paper":              "mill.yaml:10",
		"specs.0.papers.0":                 "mill.yaml:8",
		"specs.0.overhang.min":             "default",
		"head_materials.0.method":          "default",
		"vacuum.edges.2":                   "mill.yaml:11",
		"controller.times.poll":            "default",
		"head_materials.0.diameters.4":     "mill.yaml:5",
	} {
		if o.Of(key) != want {
			t.Errorf("origin of %s: %q, want %q", key, o.Of(key), want)
		}
	}
}

func TestSnapshotValues(t *testing.T) {
	s := load(t, config.Source{Bytes: []byte("units: {length: in, temperature: °F}\n" + sparse)})
	l := s.Lines[0]
	want := config.Times{
		Poll: 100 * time.Millisecond, RequestTimeout: 500 * time.Millisecond, Heartbeat: 500 * time.Millisecond,
		DataStale: time.Second, Verdict: 1500 * time.Millisecond, ReconnectMin: 250 * time.Millisecond, ReconnectMax: 5 * time.Second,
	}
	if l.Controller.Times != want {
		t.Errorf("times %+v", l.Controller.Times)
	}
	if b := (config.Bases{1000, 1200, 4000, 4010, 4030, 4120, 4140, 4200}); l.Controller.Bases != b {
		t.Errorf("bases %+v", l.Controller.Bases)
	}
	if l.Recipe.Drives.Crimper.Compensate || l.Controller.Protocol != config.ModbusTCP || l.Controller.Unit != 1 {
		t.Errorf("%+v", l)
	}
	if l.Recipe.Equipment.Heads != recipe.Manual || l.Recipe.Equipment.Crimp != recipe.Auto || l.Recipe.Limits.Permissives != 0x3F {
		t.Errorf("%+v", l.Recipe.Equipment)
	}
	if got := s.Materials.Papers[0].Caliper; got != 0.0003048 {
		t.Errorf("caliper %v", got)
	}
	if p := s.Journal.Path("line-1"); p != filepath.Join("journal", "line-1.db") {
		t.Errorf("journal %s", p)
	}
	if s.Status.Off() || s.Units.For(quantity.Length) != "in" || s.Units.For(quantity.Conductance) != "W/m2K" || s.Units.For("nonsense") != "" {
		t.Errorf("%+v %+v", s.Status, s.Units)
	}
	if got := l.Recipe.Write(1.27, quantity.Length) + ", " + l.Recipe.Write(175, quantity.Temperature) + ", " + l.Recipe.Write(5, quantity.TemperatureDifference); got != "50 in, 347 °F, 9 °F" {
		t.Errorf("the line writes %s", got)
	}
	for key, want := range map[string]string{
		"papers.0.caliper":                         "0.012 in",
		"head_materials.0.platen_temperature":      "350 °F",
		"lines.0.limits.diameter":                  "12 in..72 in",
		"lines.0.limits.permissives":               "0x3F",
		"lines.0.equipment.heads":                  "manual",
		"lines.0.controller.times.verdict":         "1.5 s",
		"lines.0.drives.feed.rated_speed":          "1750 rpm",
		"lines.0.drives.crimper.slip_compensation": "false",
	} {
		if got := effective(t, s, key).Value; got != want {
			t.Errorf("%s is %s, want %s", key, got, want)
		}
	}
}

// A caller that changes what Effective gave does not change the snapshot.
func TestEffectiveIsACopy(t *testing.T) {
	s := load(t, config.Source{})
	s.Effective()[0].Value = "changed"
	if s.Effective()[0].Value == "changed" {
		t.Error("the snapshot changed")
	}
}

func FuzzLoad(f *testing.F) {
	for _, pattern := range []string{"../../testdata/config/*/*.yaml", "../../configs/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil {
			f.Fatal(err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data, "lines.0.drives.crimper.slip_compensation", "true")
		}
	}
	f.Add([]byte(sparse), "specs.0.overhang.max", "1 mm")
	f.Fuzz(func(t *testing.T, data []byte, key, text string) {
		if len(data) > 1<<14 {
			t.Skip()
		}
		s, err := config.Load(config.Source{Path: "f.yaml", Bytes: append([]byte{}, data...), Set: map[string]string{key: text}})
		var e *config.Error
		switch {
		case err == nil && s == nil, err != nil && s != nil:
			t.Fatalf("%v and %v", s, err)
		case err != nil && (!errors.As(err, &e) || len(e.Problems) == 0):
			t.Fatalf("%#v", err)
		case err == nil && len(s.Lines) == 0:
			t.Fatal("a snapshot without lines")
		}
	})
}

func BenchmarkLoadReference(b *testing.B) {
	data := configs.Reference()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := config.Load(config.Source{Path: "reference.yaml", Bytes: data}); err != nil {
			b.Fatal(err)
		}
	}
}
