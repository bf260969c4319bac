package journal_test

import (
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// Each contradiction of the handshake by itself, and what is none.
func TestOrder(t *testing.T) {
	name := func(n uint16) record.OfferName { return record.OfferName{Session: session, Offer: n} }
	next := handshake.Session{Epoch: 8, Nonce: 5}
	start := record.Session{Session: session, Boot: 41, Cause: "start"}
	one, two := rollRecords(t, 1), rollRecords(t, 2)
	request, intent, commit, verdict, outcome := one[0], one[1].(record.Intent), one[2], one[3].(record.Verdict), one[4].(record.Outcome)
	rejected := verdict
	rejected.Verdict = handshake.Rejected
	held := verdict
	held.Verdict = handshake.HeldVerdict
	otherRoll := verdict
	otherRoll.Roll = 9
	settled := verdict
	settled.Settled = true
	garbled := intent
	garbled.Payload = slices.Clone(intent.Payload)
	garbled.Payload[40] ^= 1
	mixed := intent
	mixed.Roll = 9
	changed := outcome
	changed.Outcome.Slot = 3
	third := rollRecords(t, 3)
	again := func(offer uint16) record.Intent {
		var p handshake.Payload
		if err := handshake.DecodePayload(intent.Payload, &p); err != nil {
			t.Fatal(err)
		}
		p.Offer = offer
		words := make([]uint16, handshake.PayloadWords)
		if err := p.Encode(words); err != nil {
			t.Fatal(err)
		}
		i := intent
		i.Offer.Offer, i.Payload = offer, words
		return i
	}
	void := record.Void{Roll: 1, Offer: name(1), Evidence: "the request changed"}
	closed := name(1)
	against := outcome
	against.Contradicts = "void"
	type list = []record.Record
	for _, c := range []struct {
		name    string
		records list
		want    []string // in the problems, in order
	}{
		{"all the way", slices.Concat(list{start}, one, two, third), nil},
		{"in flight", list{start, request, intent, commit}, nil},
		{"committed twice", list{start, request, intent, commit, commit, verdict}, nil},
		{"void before commit", list{start, request, intent, void}, nil},
		{"settled in a later session", list{start, request, intent, commit, record.Session{Session: next, Boot: 41}, settled, outcome}, nil},
		{"rejected, then another offer", list{start, request, intent, commit, rejected, again(2)}, nil},
		{"closed as unknown", list{start, request, intent, commit, record.Gap{Closed: &closed, Cause: "x"}, two[0], two[1]}, nil},
		{"gap in outcomes", list{start, request, intent, commit, verdict, outcome,
			record.Gap{FromIndex: 2, ToIndex: 2, FromRoll: 2, ToRoll: 2, Cause: "overwritten"}, third[4]}, nil},
		{"numbers begin again after a gap", list{start, two[4], record.Gap{Boot: 50, FromIndex: 3, Cause: "memory lost"}, outcome}, nil},
		{"joins late", list{start, third[4]}, nil},

		{"epoch stands still", list{start, start}, []string{"does not exceed epoch 7"}},
		{"session without nonce", list{record.Session{Session: handshake.Session{Epoch: 1}, Boot: 1}}, []string{"zero"}},
		{"intent before any session", list{request, intent}, []string{"not of the session in force"}},
		{"intent of an older session", list{start, request, record.Session{Session: next, Boot: 41}, intent}, []string{"not of the session in force"}},
		{"intent for another boot", list{record.Session{Session: session, Boot: 40}, request, intent}, []string{"its session for boot 40"}},
		{"intent without request", list{start, intent}, []string{"newest REQUEST"}},
		{"intent for an older request", list{start, request, two[0], intent}, []string{"newest REQUEST"}},
		{"offer number again", list{start, request, intent, void, intent}, []string{"does not exceed offer 1"}},
		{"second offer while one is open", list{start, request, intent, commit, two[0], two[1]}, []string{"has no end"}},
		{"payload damaged", list{start, request, garbled}, []string{"cannot be read"}},
		{"payload of another roll", list{start, request, mixed}, []string{"of another offer, request, roll or kind"}},
		{"commit without intent", list{start, request, commit}, []string{"commit of offer 1 of session 7/9E3779B9, which has no INTENT"}},
		{"commit after void", list{start, request, intent, void, commit}, []string{"which has ended as void"}},
		{"commit under a later session", list{start, request, intent, record.Session{Session: next, Boot: 41}, commit}, []string{"is committed under session 8"}},
		{"verdict without commit", list{start, request, intent, verdict}, []string{"has no COMMIT"}},
		{"verdict without intent", list{start, verdict}, []string{"has no INTENT"}},
		{"verdict twice", list{start, request, intent, commit, verdict, verdict}, []string{"which has ended"}},
		{"void after verdict", list{start, request, intent, commit, verdict, void}, []string{"void of offer 1"}},
		{"verdict on another roll", list{start, request, intent, commit, otherRoll}, []string{"this says roll 9"}},
		{"recipe held", list{start, request, intent, commit, held}, []string{"does not fit the kind"}},
		{"no verdict", list{start, request, intent, commit, record.Verdict{Roll: 1, Offer: name(1)}}, []string{"none of"}},
		{"accepted twice", list{start, request, intent, commit, verdict, again(2),
			record.Commit{Roll: 1, Offer: name(2)}, record.Verdict{Roll: 1, Offer: name(2), Verdict: handshake.Accepted}},
			[]string{"roll 1 of boot 41 is accepted twice"}},
		{"hole in outcomes", list{start, outcome, third[4]}, []string{"outcomes 2 to 2 are missing"}},
		{"hole before a gap", list{start, outcome, record.Gap{FromIndex: 5, ToIndex: 6}}, []string{"outcomes 2 to 4 are missing"}},
		{"gap closes what is not open", list{start, record.Gap{Closed: &closed}}, []string{"gap of offer 1"}},
		{"outcome twice", list{start, outcome, outcome}, []string{"outcome 1 comes after outcome 1", "roll 1 comes after"}},
		{"outcome of a void offer", list{start, request, intent, void, outcome}, []string{"was used, which ended as void, and was not told so"}},
		{"outcome of a rejected offer", list{start, request, intent, commit, rejected, outcome}, []string{"ended as rejected, and was not told so"}},
		{"outcome that contradicts nothing", list{start, request, intent, commit, verdict, against}, []string{"recorded as contradicting"}},
		{"registers say something else", list{start, changed}, []string{"say something else"}},
		{"outcome without registers", list{start, record.Outcome{Outcome: outcome.Outcome}}, []string{"cannot be read"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := journal.OrderProblems(c.records)
			for i, g := range got {
				if i >= len(c.want) || !strings.Contains(g, c.want[i]) {
					t.Errorf("problem %d: %q, want one with %q", i, g, c.want)
				}
			}
			if len(got) < len(c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

// TestContradictions: an outcome that says that an offer was used which ended
// otherwise is the controller's contradiction. The journal that holds both is sound.
func TestContradictions(t *testing.T) {
	one, two := rollRecords(t, 1), rollRecords(t, 2)
	start := record.Session{Session: session, Boot: 41}
	n := one[1].(record.Intent).Offer
	for _, c := range []struct {
		how  string
		end  record.Record
		want string
	}{
		{"void", record.Void{Roll: 1, Offer: n, Evidence: "the request changed"}, "was used, which ended as void"},
		{"rejected", record.Verdict{Roll: 1, Offer: n, Verdict: handshake.Rejected, Reason: 61}, "was used, which ended as rejected"},
	} {
		outcome := one[4].(record.Outcome)
		outcome.Contradicts = c.how
		path, _, _ := closedJournal(t, []record.Record{start, one[0], one[1], one[2], c.end, outcome, two[0]})
		r := verify(t, path)
		if !r.OK() || len(r.Contradictions) != 1 || r.Contradictions[0].Seq != 6 ||
			r.Contradictions[0].Code != journal.ContradictionController || !strings.Contains(r.Contradictions[0].Text, c.want) {
			t.Errorf("%s: problems %v, contradictions %v; want the journal sound and one contradiction with %q", c.how, r.Problems, r.Contradictions, c.want)
		}
	}
	four, back := rollRecords(t, 4), two[4].(record.Outcome)
	back.Outcome.Index = four[4].(record.Outcome).Outcome.Index + 1
	back.Words = make([]uint16, handshake.OutWords)
	if err := back.Outcome.Encode(back.Words); err != nil {
		t.Fatal(err)
	}
	path, _, _ := closedJournal(t, []record.Record{start, four[4], back})
	if r := verify(t, path); !r.OK() || len(r.Contradictions) != 1 || !strings.Contains(r.Contradictions[0].Text, "comes after that of roll 4") {
		t.Errorf("a roll number that went back: problems %v, contradictions %v", r.Problems, r.Contradictions)
	}
	path, _, _ = closedJournal(t, append([]record.Record{start}, one...))
	if r := verify(t, path); !r.OK() || len(r.Contradictions) != 0 {
		t.Errorf("a roll that was wrapped as accepted: problems %v, contradictions %v", r.Problems, r.Contradictions)
	}
}

func TestStillOpen(t *testing.T) {
	one := rollRecords(t, 1)
	path, _, _ := closedJournal(t, []record.Record{record.Session{Session: session, Boot: 41}, one[0], one[1], one[2]})
	r := verify(t, path)
	wantClean(t, r)
	if want := []record.OfferName{{Session: session, Offer: 1}}; !slices.Equal(r.Open, want) {
		t.Errorf("open offers %v, want %v", r.Open, want)
	}
}

func BenchmarkAppend(b *testing.B) {
	j, err := journal.Open(b.Context(), filepath.Join(b.TempDir(), "j.db"))
	if err != nil {
		b.Fatal(err)
	}
	records := shift(b, 100)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		if _, err := j.Append(b.Context(), records[i%len(records)]); err != nil {
			b.Fatal(err)
		}
		i++
	}
	b.StopTimer()
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
}

func BenchmarkReading(b *testing.B) {
	path, stored, _ := closedJournal(b, shift(b, 400))
	per := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(stored)), "ns/record")
	}
	r, err := journal.OpenReader(b.Context(), path)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("Replay", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if err := r.Replay(b.Context(), func(record.Stored) error { return nil }); err != nil {
				b.Fatal(err)
			}
		}
		per(b)
	})
	b.Run("Verify", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if rep, err := journal.Verify(b.Context(), path); err != nil || !rep.OK() {
				b.Fatal(rep, err)
			}
		}
		per(b)
	})
	b.Run("Export", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := r.Export(b.Context(), journal.Filter{}, io.Discard); err != nil {
				b.Fatal(err)
			}
		}
		per(b)
	})
	if err := r.Close(); err != nil {
		b.Fatal(err)
	}
}
