package main

import (
	"bytes"
	"encoding/json"
	"io"
	"regexp"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// mixedJournal is the journal of a shift whose rolls left in every way.
func mixedJournal(t *testing.T) string {
	t.Helper()
	path := shadowJournal(t, t.TempDir(), demoSnapshot(t), 40, func(i int, p *handshake.Payload, o *handshake.Outcome) {
		o.Outcome = handshake.Wrapped + handshake.OutcomeKind(i%5)
		if p.Kind == handshake.KindHold {
			o.Outcome = handshake.Removed
		}
	})
	return path
}

// Each outcome has one spelling: the words of the handshake for people, the same
// joined by _ for programs, and no command has another.
func TestOneSpellingOfOutcomes(t *testing.T) {
	path := mixedJournal(t)
	for _, c := range []struct {
		args  []string
		codes []int
		words bool
	}{
		{[]string{"journal", "list", path}, []int{0}, true},
		{[]string{"journal", "list", "--json", path}, []int{0}, false},
		{[]string{"report", path}, []int{0}, true},
		{[]string{"report", "--json", path}, []int{0}, false},
		{[]string{"report", "--csv", path}, []int{0}, false},
		{[]string{"compare", "--json", path}, []int{0, exitDifferences}, false},
	} {
		r := lapgate(c.args...)
		if r.code != 0 && r.code != c.codes[len(c.codes)-1] {
			t.Fatalf("%v: %s", c.args, r.errors)
		}
		wanted := []handshake.OutcomeKind{handshake.Wrapped, handshake.WrappedByHand, handshake.Removed, handshake.Aborted, handshake.Lost}
		if c.args[0] == "compare" {
			wanted = wanted[:2] // it tells of wrapped rolls alone
		}
		for _, o := range wanted {
			word := o.String()
			if !c.words {
				word = handshake.Spelled(word)
			}
			if !regexp.MustCompile(`(?m)[ ",]` + word + `([ ",]|$)`).MatchString(r.out) {
				t.Errorf("%v has no %q", c.args, word)
			}
		}
		for _, other := range []string{"by hand,", `"by hand"`, `"lost"`, "unknown,", `"outcome":1`, `"outcome": 1`} {
			if strings.Contains(strings.ReplaceAll(r.out, "wrapped by hand", ""), other) {
				t.Errorf("%v has another spelling: %s", c.args, other)
			}
		}
	}
}

// A code never stands alone where a person reads: a rejection and a hold are
// told in words.
func TestCodesAreToldInWords(t *testing.T) {
	offer := record.OfferName{Session: handshake.Session{Epoch: 3, Nonce: 5}, Offer: 2}
	for _, c := range []struct {
		record record.Record
		want   string
	}{
		{record.Verdict{Roll: 1, Offer: offer, Verdict: handshake.Rejected, Reason: handshake.RejectWrongRoll}, "offer 3/00000005/2: rejected: wrong roll data (12)"},
		{record.Intent{Roll: 1, Offer: offer, Form: handshake.KindHold, HoldReason: handshake.HoldSupply}, "offer 3/00000005/2: hold: supply (7)"},
	} {
		v, err := record.ViewOf(record.Stored{Seq: 1, Record: c.record}, demoSnapshot(t).Lines[0].Recipe)
		if err != nil || v.What != c.want {
			t.Errorf("got %q, %v, want %q", v.What, err, c.want)
		}
	}
	text := lapgate("journal", "list", mixedJournal(t)).out
	if found := regexp.MustCompile(`(reason|outcome|verdict) [0-9]+($|[,;])`).FindString(text); found != "" {
		t.Errorf("a code stands alone: %q", found)
	}
}

// What the commands of the record print as JSON is SI with the unit in the name
// and UTC, and what people read is in the units of the configuration and in
// local time.
func TestRecordCommandsPrintUnits(t *testing.T) {
	t.Parallel()
	path, demo := mixedJournal(t), demoFile(t, "demo.yaml")
	for _, args := range [][]string{
		{"journal", "list", path}, {"journal", "show", "--roll", "1", path}, {"journal", "verify", path},
		{"report", path}, {"compare", path}, {"replay", path, "--config", demoFile(t, "more.yaml", "overlap: 6 in", "overlap: 7 in")},
	} {
		out := lapgate(append(args, "--json")...).out
		d := json.NewDecoder(strings.NewReader(out))
		members := 0
		for {
			var v any
			if err := d.Decode(&v); err == io.EOF {
				break
			} else if err != nil {
				t.Fatalf("%v: %v in %s", args, err, out)
			}
			members += eachMember(v, func(name string, value any) {
				if regexp.MustCompile(`[A-Z]|_(mm|dmm|cm|in|ft|g|dkg|lb|f|kpa|psi|ms|min|rpm)$`).MatchString(name) {
					t.Errorf("%v: %q is not SI with its unit", args, name)
				}
				if text, ok := value.(string); ok && (name == "at" || name == "left_at") && !strings.HasSuffix(text, "Z") {
					t.Errorf("%v: %s is not UTC: %s", args, name, text)
				}
			})
		}
		if members == 0 {
			t.Errorf("%v printed nothing as JSON", args)
		}
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"journal", "list", path}, ` in × [0-9.]+ in\n`},
		{[]string{"journal", "list", path}, ` 2[0-9:-]{9} [0-9:]{8} CES?T `},
		{[]string{"journal", "show", "--roll", "1", path}, `  diameter +[0-9.]+ in\n`},
		{[]string{"report", path}, `\(in\)`},
		{[]string{"report", path}, ` CES?T `},
		{[]string{"report", "--csv", path}, `overhang \(in\),.*gross \(lb\),tare \(lb\),scale \(lb\)`},
		{[]string{"compare", path}, `(?m)^overlap .* 0.984 in`},
	} {
		var out, problems bytes.Buffer
		code := run(append(c.args, "--config", demo), []string{"TZ=Europe/Berlin", "COLUMNS=160"}, strings.NewReader(""), &out, &problems)
		if code != 0 && code != exitDifferences || !regexp.MustCompile(c.want).MatchString(out.String()) {
			t.Errorf("%v ended with %d and has no %s:\n%.2000s%s", c.args, code, c.want, out.String(), problems.String())
		}
	}
}

// eachMember calls f with every member of the objects in a value, and counts
// them.
func eachMember(v any, f func(string, any)) (n int) {
	switch v := v.(type) {
	case map[string]any:
		for name, inner := range v {
			f(name, inner)
			n += 1 + eachMember(inner, f)
		}
	case []any:
		for _, inner := range v {
			n += eachMember(inner, f)
		}
	}
	return n
}

// A journal of a version that stored numbers is read as before.
func TestOlderJournals(t *testing.T) {
	var v record.Verdict
	r, err := record.Unmarshal(record.KindVerdict, []byte(`{"roll_no":1,"offer":{"session":{"epoch":3,"nonce":5},"offer":2},"verdict":2,"reason":12}`))
	if v, _ = r.(record.Verdict); err != nil || v.Verdict != handshake.Rejected || v.Reason != 12 {
		t.Errorf("%+v, %v", r, err)
	}
}
