package main

import (
	"cmp"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/alarm"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/lease"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/notice"
	"lapgate/recipe/rate"
	"lapgate/recipe/wording"
)

// said is one place in the program that says a sentence by its key.
type said struct {
	key   string
	names []string // of its arguments; nil where they are not all written there
	count bool     // one thing and none may have sentences of their own
	at    string
}

// saidIn lists what the program says by keys that are written out: in Go, and in the
// templates of the pages.
func saidIn(t *testing.T) (all []said) {
	t.Helper()
	inTemplate := regexp.MustCompile(`say "([^"]+)"((?: (?:"[^"]*"|[$.\w]+|\((?:[^()]|\([^()]*\))*\)))*)`)
	argument := regexp.MustCompile(`"([^"]*)"|[$.\w]+|\((?:[^()]|\([^()]*\))*\)`)
	set := token.NewFileSet()
	for _, root := range []string{"../../recipe", "../../gateway", "."} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil || d.IsDir() || strings.Contains(path, "recipe/wording"):
				return err
			case strings.HasSuffix(path, ".html"):
				text, err := os.ReadFile(path)
				for _, m := range inTemplate.FindAllStringSubmatch(string(text), -1) {
					one := said{key: m[1], names: []string{}, at: path}
					for i, a := range argument.FindAllStringSubmatch(m[2], -1) {
						if i%2 == 0 {
							one.names = append(one.names, a[1])
						}
					}
					all = append(all, one)
				}
				return err
			case !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go"):
				return nil
			}
			f, err := parser.ParseFile(set, path, nil, 0)
			if err != nil {
				return err
			}
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.BasicLit:
					if key, ok := literal(n); ok {
						all = append(all, said{key: key, at: set.Position(n.Pos()).String()})
					}
				case *ast.CallExpr:
					if one, ok := saying(n); ok {
						one.at = set.Position(n.Pos()).String()
						all = append(all, one)
					}
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return all
}

func literal(n ast.Expr) (string, bool) {
	l, ok := n.(*ast.BasicLit)
	if !ok || l.Kind != token.STRING {
		return "", false
	}
	text, err := strconv.Unquote(l.Value)
	return text, err == nil
}

// saying is a call of Say, Of or say whose key and names are all written out.
func saying(n *ast.CallExpr) (out said, ok bool) {
	name := ""
	switch f := n.Fun.(type) {
	case *ast.SelectorExpr:
		name = f.Sel.Name
	case *ast.Ident:
		name = f.Name
	}
	out.count = name == "SayCount"
	if name != "Say" && name != "Of" && name != "say" && !out.count || len(n.Args) == 0 || n.Ellipsis.IsValid() {
		return said{}, false
	}
	if out.key, ok = literal(n.Args[0]); !ok {
		return said{}, false
	}
	out.names = []string{}
	first := 1
	if out.count {
		first, out.names = 2, []string{"count"}
	}
	for i := first; i < len(n.Args); i += 2 {
		name, ok := literal(n.Args[i])
		if !ok {
			return said{}, false
		}
		out.names = append(out.names, name)
	}
	return out, true
}

// composed are the keys that the program puts together, from the tables that they
// speak of.
func composed(t *testing.T) (keys []string) {
	add := func(family string, words ...string) {
		for _, w := range words {
			keys = append(keys, wording.KeyOf(family, w))
		}
	}
	for _, c := range append(check.Codes(), cycle.Codes()...) {
		add("meaning", string(c.Code))
		add("finding", string(c.Code))
		if c.Severity == recipe.Hold {
			add("do", string(c.Code))
		}
	}
	add("finding", "unit-mode.maintenance", "unit-mode.manual")
	for _, code := range cycle.NoticeCodes() {
		add("notice", code, code+".do")
	}
	for _, c := range notice.Codes() {
		add("notice", string(c), string(c)+".do")
	}
	for _, p := range recipe.AllSetpoints() {
		add("setpoint", p.Name)
	}
	for k := range recipe.RiskKinds {
		add("risk", k.String())
	}
	add("risk", recipe.RiskKinds.String())
	for s := alarm.Normal; s <= alarm.OutOfService; s++ {
		add("alarm", s.String())
	}
	for _, shown := range []reflect.Type{
		reflect.TypeFor[shownStatus](), reflect.TypeFor[report.Story](), reflect.TypeFor[report.Shift](), reflect.TypeFor[rate.Summary](),
		reflect.TypeFor[alarmRow](), reflect.TypeFor[changeRow](), reflect.TypeFor[shownPair](),
	} {
		for _, c := range present.Titled(shown) {
			add("head", cmp.Or(c.Head, c.Title()))
		}
	}
	add("head", "yes", "no")
	for _, act := range []alarm.Act{alarm.Raise, alarm.Clear, alarm.Ack, alarm.Shelve, alarm.Unshelve, alarm.Retire, alarm.Reactivate} {
		add("alarm-act", string(act))
	}
	for _, act := range []alarm.Act{alarm.Ack, alarm.Shelve, alarm.Unshelve, alarm.Retire, alarm.Reactivate} {
		add("reply.alarm", string(act))
	}
	for n := range uint16(16) {
		add("outcome", handshake.OutcomeKind(n).String())
		add("hold-reason", handshake.HoldReason(n).String())
		add("verdict", handshake.Verdict(n).String())
	}
	for _, r := range append(handshake.RejectReasons(), 0) {
		add("reject", r.Words())
	}
	add("weekday", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
	add("month", "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december")
	for state := lease.Standby; state <= lease.Fenced; state++ {
		add("pair.role", state.String())
	}
	add("pair.untold", untoldNothing)
	add("pair.untold", slices.Collect(maps.Values(constants(t, "gateway/lease", "^Act[A-Z]")))...)
	add("level", "info", "warning", "alarm")
	add("unit-state", "clearing", "stopped", "stopping", "aborting", "aborted")
	add("side", "coated", "plain")
	add("weighed.verdict", "good", "doubtful", "wrong", "unreadable")
	add("page.verdict", "none", "go", "hold", "go in shadow", "hold in shadow")
	add("rate.station", append(recipe.StationKeys(), slices.Collect(maps.Values(constants(t, "recipe/rate", "^(load|scan|answer|start|label|eject|changes) ")))...)...)
	add("equipment", recipe.Modes()...)
	for f := range reflect.TypeFor[rate.Work]().Fields() {
		add("work", f.Tag.Get("cfg"))
	}
	add("plan.action", "hang", "change", "leave empty", "keep", "spare")
	for p := alarm.None; p <= alarm.High; p++ {
		add("priority", p.String())
	}
	add("page.shadow", "why", "configured")
	add("page.armed", "why", "configured")
	add("exchange", "shadow-go", "shadow-hold")
	for _, state := range []record.HangState{record.Hangs, record.Empty, record.OutOfService, record.AsBefore} {
		add("slot-state", string(state))
	}
	for _, step := range []record.HangStep{record.Opened, record.InForce, record.Ended} {
		add("hang-step", string(step))
	}
	add("station-mode", record.ByHand, record.AsConfigured)
	add("gap", slices.Collect(maps.Values(constants(t, "gateway/cycle", "^gap[A-Z]")))...)
	add("gap", record.HeldByOther)
	add("report.way", "offered", "override", "shadow")
	add("report.mode", "armed", "shadow")
	add("report.by", slices.Collect(maps.Values(constants(t, "gateway/report", "^by[A-Z]")))...)
	add("report.break", slices.Collect(maps.Values(constants(t, "gateway/report", "^break[A-Z]")))...)
	causes := constants(t, "gateway/cycle", "^cause[A-Z]")
	add("gap", causes["causeMemory"])
	add("void", slices.Collect(maps.Values(constants(t, "gateway/cycle", "^void[A-Z]")))...)
	for _, cause := range causes {
		if cycle.Interrupted(cause) {
			add("report.break", cause)
		}
	}
	for _, need := range []string{"lost", "aborted", "heavy", "outside"} {
		add("report.need", need, need+".one")
	}
	for _, of := range []string{"record.gap.outcomes", "record.gap.rolls"} {
		keys = append(keys, of, of+".one", of+".on")
	}
	return keys
}

// What is said by a key stands in the table, and whatever stands there is said.
func TestEveryKeyIsSaid(t *testing.T) {
	used := map[string]bool{wording.LanguageKey: true}
	mayLack := regexp.MustCompile(`^finding\.|^notice\..*\.do$|^(verdict|outcome|hold-reason)\.`)
	for _, key := range composed(t) {
		used[key] = true
		if _, known := wording.English(key); !known && !mayLack.MatchString(key) {
			t.Errorf("the program says %s, which the table does not have", key)
		}
	}
	families := map[string]bool{}
	for _, e := range wording.Entries() {
		family, _, _ := strings.Cut(e.Key, ".")
		families[family] = true
	}
	notKeys := []string{"page.css", "page.html", "page.js", "roll.html"}
	for _, s := range saidIn(t) {
		used[s.key] = true
		used[wording.KeyOf("report.step", s.key)], used[wording.KeyOf("hung", s.key)] = true, true
		for _, few := range []string{".one", ".none"} {
			if english, known := wording.English(s.key + few); s.count && known {
				used[s.key+few] = true
				for _, place := range wording.Places(english) {
					if !slices.Contains(s.names, place) {
						t.Errorf("%s: %s gets %v, its sentence has the place %s", s.at, s.key+few, s.names, place)
					}
				}
			}
		}
		english, known := wording.English(s.key)
		if s.names != nil && !known {
			t.Errorf("%s: says %q, which the table does not have", s.at, s.key)
		}
		family, rest, ok := strings.Cut(s.key, ".")
		if ok && families[family] && !known && regexp.MustCompile(`^[a-z-]+(\.[a-z-]+)*$`).MatchString(rest) && s.names == nil && isKeyed(s, notKeys) {
			t.Errorf("%s: %q looks like a key, and the table does not have it", s.at, s.key)
		}
		if want := wording.Places(english); s.names != nil && known {
			got := slices.Clone(s.names)
			slices.Sort(got)
			slices.Sort(want)
			if !slices.Equal(slices.Compact(got), want) {
				t.Errorf("%s: %s gets %v, its sentence has the places %v", s.at, s.key, got, want)
			}
		}
	}
	for _, e := range wording.Entries() {
		if !used[e.Key] {
			t.Errorf("%s: nothing says this sentence", e.Key)
		}
	}
}

// isKeyed tells whether a literal that looks like a key would be one: where it stands in
// a file that says sentences, and is no file or setting.
func isKeyed(s said, notKeys []string) bool {
	return !slices.Contains(notKeys, s.key) && strings.Contains(s.at, "gateway/status/") && !strings.HasPrefix(s.key, "status.")
}
