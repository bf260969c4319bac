package status

import (
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/alarm"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/wording"
	"lapgate/recipe/wording/wordingtest"
)

// germanPage is the live page in the sample translation.
func germanPage(t *testing.T, w *wording.Words, l *Line, n *record.Newest) string {
	t.Helper()
	s := sourceOf(l, n)
	s.Words = func() *wording.Words { return w }
	text, _, err := s.livePage().render()
	if err != nil {
		t.Fatal(err)
	}
	return strings.NewReplacer(`<span class="nb">`, "", "</span>", "", "&#39;", "'", "&#34;", `"`).Replace(string(text))
}

// sentencesOf are the sentences of a code, with something in every place.
func sentencesOf(code recipe.Code) (out []wording.Said) {
	for _, e := range wording.Entries() {
		rest, ok := strings.CutPrefix(e.Key, "finding."+string(code))
		if !ok || rest != "" && rest[0] != '.' {
			continue
		}
		said := wording.Say(e.Key)
		for _, name := range wording.Places(e.English) {
			said.Args = append(said.Args, wording.Arg{Name: name, Text: "7.25"})
		}
		out = append(out, said)
	}
	return out
}

// Whatever holds a roll, a mill that reads German reads no sentence of the table in
// English: neither what was found, nor what is to be done, nor a label of the page.
func TestPageInGerman(t *testing.T) {
	w, line := wordingtest.German(t), demoLine(t)
	r := asks(48.7)
	holds := 0
	for _, c := range append(check.Codes(), cycle.Codes()...) {
		if c.Severity != recipe.Hold {
			continue
		}
		holds++
		p := handshake.Payload{Boot: 1, Req: 7, RollNo: 7, Kind: handshake.KindHold, HoldReason: handshake.HoldReason(c.Reason), Origin: handshake.Computed, Offer: 1}
		words := make([]uint16, handshake.PayloadWords)
		if err := p.Encode(words); err != nil {
			t.Fatal(err)
		}
		sentences := sentencesOf(c.Code)
		if len(sentences) == 0 {
			t.Errorf("%s has no sentence", c.Code)
		}
		for _, said := range sentences {
			f := recipe.Finding{Code: c.Code, Severity: recipe.Hold, Where: "mill.yaml:9"}.Saying(said)
			name := record.OfferName{Offer: 1}
			l, n := atStation(t, line, true, handshake.Held, r,
				record.Intent{Token: r.Token, Roll: 7, Offer: name, Form: handshake.KindHold, Payload: words, Findings: []recipe.Finding{f}},
				record.Commit{Roll: 7, Offer: name}, record.Verdict{Roll: 7, Offer: name, Verdict: handshake.HeldVerdict, Reason: c.Reason})
			body := germanPage(t, w, l, n)
			if keys := wordingtest.EnglishIn(w, body); len(keys) > 0 {
				t.Errorf("%s: the page has the English of %v", said.Key, keys)
			}
			if !strings.Contains(body, `<html lang="de">`) || !strings.Contains(body, "Rolle angehalten: "+w.Text(c.Meaning())) {
				t.Errorf("%s: the page does not say in German that the roll is held", said.Key)
			}
		}
	}
	if holds < 60 {
		t.Errorf("%d codes hold a roll: this test looks at too few", holds)
	}
}

// A hold that an older version recorded has its text in English alone; what its code
// says and what is to be done are translated all the same.
func TestOldHoldInGerman(t *testing.T) {
	w := wordingtest.German(t)
	r := asks(48.7)
	p := handshake.Payload{Boot: 1, Req: 7, RollNo: 7, Kind: handshake.KindHold, HoldReason: handshake.HoldMeasurement, Origin: handshake.Computed, Offer: 1}
	words := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(words); err != nil {
		t.Fatal(err)
	}
	const text = "the scan is 9 s old, allowed is 5 s; measure the roll again"
	name := record.OfferName{Offer: 1}
	l, n := atStation(t, demoLine(t), true, handshake.Held, r,
		record.Intent{Token: r.Token, Roll: 7, Offer: name, Form: handshake.KindHold, Payload: words, Findings: []recipe.Finding{{Code: check.ScanStale, Severity: recipe.Hold, Text: text}}},
		record.Commit{Roll: 7, Offer: name}, record.Verdict{Roll: 7, Offer: name, Verdict: handshake.HeldVerdict, Reason: 4})
	now := nowOf(w, l, n, time.UTC)
	if now.State != "Rolle angehalten: die Messung ist zu alt" || !strings.HasPrefix(now.Do, "Die Rolle noch einmal messen") || now.Why != wording.Capital(text) {
		t.Errorf("told as %+v", now)
	}
}

// Every other state of the page is told in German too, with its conditions and alarms.
func TestStatesInGerman(t *testing.T) {
	w, line := wordingtest.German(t), demoLine(t)
	good := offerOf(t, line, asks(48.7), handshake.Accepted, 0)
	for name, change := range map[string]func(*Line){
		"empty":     func(l *Line) { l.Machine.Phase = handshake.Empty },
		"waiting":   func(l *Line) { l.Machine.Phase = handshake.Await },
		"running":   func(l *Line) { l.Machine.Phase = handshake.Run },
		"by hand":   func(l *Line) { l.Machine.Phase = handshake.ByHand },
		"fault":     func(l *Line) { l.Machine.Phase = handshake.Fault },
		"held":      func(l *Line) { l.Machine.Phase = handshake.Held },
		"shadow":    func(l *Line) { l.Armed, l.Machine.Phase = false, handshake.Await },
		"link down": func(l *Line) { l.Connected = false },
		"ended":     func(l *Line) { l.Ended, l.Again = true, l.At },
		"alarm": func(l *Line) {
			l.Machine.Conditions = []string{"platen-above-ceiling", "wrapper-runs-out/slot 2"}
			l.Alarms = []alarm.Alarm{{Key: "platen-above-ceiling", State: alarm.Acknowledged, By: "kim"}, {Key: "journal-gap", State: alarm.Returned}}
		},
	} {
		l, n := atStation(t, line, true, handshake.Run, good...)
		change(l)
		body := germanPage(t, w, l, n)
		if keys := wordingtest.EnglishIn(w, body); len(keys) > 0 {
			t.Errorf("%s: the page has the English of %v", name, keys)
		}
	}
}

// A roll's own page in German.
func TestRollPageInGerman(t *testing.T) {
	w, line := wordingtest.German(t), demoLine(t)
	for name, width := range map[string]float64{"go": 48.7, "hold": 45.2} {
		l, n := atStation(t, line, true, handshake.Held, offerOf(t, line, asks(width), handshake.HeldVerdict, 7)...)
		s := sourceOf(l, n)
		s.Words = func() *wording.Words { return w }
		p, err := s.storyPage("north", 7)
		if err != nil || p == nil {
			t.Fatal(p, err)
		}
		text, err := render(w, "roll", p)
		if err != nil {
			t.Fatal(err)
		}
		body := strings.NewReplacer("&#39;", "'", "&#34;", `"`).Replace(string(text))
		if keys := wordingtest.EnglishIn(w, body); len(keys) > 0 {
			t.Errorf("%s: the page has the English of %v", name, keys)
		}
	}
}

// Programs read English, whatever people read.
func TestStatusForProgramsIsEnglish(t *testing.T) {
	w, line := wordingtest.German(t), demoLine(t)
	l, n := atStation(t, line, true, handshake.Held, offerOf(t, line, asks(45.2), handshake.HeldVerdict, 7)...)
	s := sourceOf(l, n)
	english := httptest.NewRecorder()
	s.json(english, nil)
	s.Words = func() *wording.Words { return w }
	got := httptest.NewRecorder()
	s.json(got, nil)
	if got.Body.String() != english.Body.String() {
		t.Errorf("with a translation: %s", got.Body)
	}
	if person := s.ViewFor(false).Lines[0].Now.State; !strings.HasPrefix(person, "Rolle angehalten") {
		t.Errorf("a person reads %q", person)
	}
}
