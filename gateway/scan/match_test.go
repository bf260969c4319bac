package scan

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lapgate/recipe"
)

func TestMatcher(t *testing.T) {
	const s = time.Second
	type step func(*Matcher) []Match
	roll := func(at time.Duration, number uint32, tag string) step {
		return func(m *Matcher) []Match { return m.Roll(at, number, tag) }
	}
	reading := func(at time.Duration, id string, d float64) step {
		return func(m *Matcher) []Match { return m.Reading(at, Reading{Roll: id, Diameter: d}) }
	}
	tick := func(at time.Duration) step { return func(m *Matcher) []Match { return m.Tick(at) } }
	for _, c := range []struct {
		name  string
		steps []step
		want  string // roll/code of each match, in order
	}{
		{"roll, then reading", []step{roll(1*s, 7, "R7"), reading(2*s, "R7", 1)}, "7/"},
		{"reading, then roll", []step{reading(1*s, "R7", 1), roll(2*s, 7, "R7")}, "7/"},
		{"by number", []step{roll(1*s, 7, "R7"), reading(2*s, "7", 1)}, "7/"},
		{"at the edge of the window", []step{roll(1*s, 7, "R7"), reading(11*s, "R7", 1)}, "7/"},
		{"too late", []step{roll(1*s, 7, "R7"), reading(12*s, "R7", 1), tick(23 * s)}, "0/scanner-no-roll"},
		{"too early", []step{reading(1*s, "R7", 1), roll(12*s, 7, "R7")}, "0/scanner-no-roll"},
		{"another roll's", []step{roll(1*s, 7, "R7"), reading(2*s, "R8", 1), tick(20 * s)}, "0/scanner-no-roll"},
		{"waits no longer than it must", []step{reading(1*s, "R8", 1), tick(11 * s), tick(12 * s), tick(13 * s)}, "0/scanner-no-roll"},
		{"tag of one, number of another", []step{roll(1*s, 7, "8"), roll(2*s, 8, "R8"), reading(3*s, "8", 1)}, "0/scanner-two-rolls"},
		{"one tag twice", []step{roll(1*s, 7, "R"), roll(2*s, 8, "R"), reading(3*s, "R", 1)}, "0/scanner-two-rolls"},
		{"one tag twice, the first long gone", []step{roll(1*s, 7, "R"), roll(20*s, 8, "R"), reading(21*s, "R", 1)}, "8/"},
		{"read twice alike", []step{roll(1*s, 7, "R7"), reading(2*s, "R7", 1), reading(3*s, "R7", 1.001)}, "7/ 7/"},
		{"read twice, far apart", []step{roll(1*s, 7, "R7"), reading(2*s, "R7", 1), reading(3*s, "R7", 1.02)}, "7/ 7/scanner-readings-differ"},
		{"measured again", []step{roll(1*s, 7, "R7"), reading(2*s, "R7", 1), roll(3*s, 7, "R7"), reading(4*s, "R7", 1.02)}, "7/ 7/"},
		{"no tag is not an identity", []step{roll(1*s, 7, ""), reading(2*s, "", 1), tick(20 * s)}, "0/scanner-no-roll"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := NewMatcher(10 * s)
			var got []string
			for _, step := range c.steps {
				for _, x := range step(m) {
					got = append(got, fmt.Sprintf("%d/%s", x.Roll, x.Code))
					if (x.Code == "") != (x.Text == "") {
						t.Errorf("code %q with text %q", x.Code, x.Text)
					}
				}
			}
			if strings.Join(got, " ") != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestMatcherIsBounded(t *testing.T) {
	m := NewMatcher(time.Hour)
	floods := 0
	for i := range 1000 {
		for _, x := range m.Reading(time.Duration(i), Reading{Roll: fmt.Sprint("x", i), Width: 1}) {
			if x.Code != ReadingsFlood || x.Reading.Roll != fmt.Sprint("x", i-maxHeld) {
				t.Fatalf("%+v", x)
			}
			floods++
		}
	}
	if floods != 1000-maxHeld || len(m.readings) != maxHeld {
		t.Errorf("%d dropped and %d held", floods, len(m.readings))
	}
}

// Every reading ends exactly once: with a roll that bears its identity, or with
// a code.
func TestMatcherAccountsForAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := NewMatcher(5)
		tags := []string{"A", "B", "1", "2", "C"}
		var at time.Duration
		given, ended := 0, 0
		tagOf := map[uint32][]string{}
		take := func(ms []Match) {
			for _, x := range ms {
				ended++
				known := slices.Contains([]recipe.Code{"", ReadingNoRoll, ReadingTwoRolls, ReadingsDiffer, ReadingsFlood}, x.Code)
				if !known {
					t.Fatalf("code %q", x.Code)
				}
				if x.Code == "" && !slices.Contains(tagOf[x.Roll], x.Reading.Roll) && x.Reading.Roll != fmt.Sprint(x.Roll) {
					t.Fatalf("reading of %q given to roll %d (%v)", x.Reading.Roll, x.Roll, tagOf[x.Roll])
				}
			}
		}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			at += time.Duration(rapid.IntRange(0, 3).Draw(t, "wait"))
			tag := rapid.SampledFrom(tags).Draw(t, "tag")
			if rapid.Bool().Draw(t, "is roll") {
				n := rapid.Uint32Range(1, 4).Draw(t, "number")
				tagOf[n] = append(tagOf[n], tag)
				take(m.Roll(at, n, tag))
			} else {
				given++
				take(m.Reading(at, Reading{Roll: tag, Diameter: rapid.Float64Range(1, 1.1).Draw(t, "d")}))
			}
		}
		take(m.Tick(at + 100))
		if given != ended || len(m.readings) != 0 {
			t.Fatalf("%d readings given, %d ended", given, ended)
		}
	})
}
