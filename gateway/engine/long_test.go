package engine_test

import (
	"flag"
	"fmt"
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

var long = flag.Int("long", 200000, "records of 50 lines over 90 days that BenchmarkLong asks questions about")

// recordsOfRoll is what a roll leaves in a journal: one in twenty is held.
func recordsOfRoll(n int, line string) []record.Record {
	roll, tag := uint32(n+1), fmt.Sprintf("R-%s-%07d", line, n+1)
	token := handshake.Token{Boot: 3, Req: roll}
	name := record.OfferName{Session: handshake.Session{Epoch: 7, Nonce: 0xC0FFEE}, Offer: uint16(n%65000 + 1)}
	samples := []uint16{12504, 12505, 12503, 12506, 12504, 12505, 12507, 12502, 12504, 12503, 12505, 12504, 12506, 12505, 12504, 12503}
	request := record.Request{Token: token, Roll: roll, Diameters: samples, Widths: samples[:4], Permissives: 0x3F, Tick: uint32(n * 6000),
		Measured: recipe.Roll{Number: roll, Tag: tag, Diameter: 1.25045, DiameterU: 9.27e-05, Width: 1.6021, WidthU: 0.00141, Quality: 0.98, Age: 1.2},
		Stand:    recipe.Stand{Ready: [6]bool{true, true, true, true, true, true}, Outer: [6]float64{0.91, 0.88, 1.02, 0.75, 0.93, 0.99}, Platen: 176.7}}
	intent := record.Intent{Token: token, Roll: roll, Tag: tag, Offer: name, Form: handshake.KindRecipe, ConfigHash: 0x1A2B3C4D, Payload: make([]uint16, 62)}
	for i := range intent.Payload {
		intent.Payload[i] = uint16(i*997 + n)
	}
	verdict := record.Verdict{Roll: roll, Offer: name, Verdict: handshake.Accepted}
	if n%20 == 0 {
		intent.Form, intent.HoldReason, verdict.Verdict = handshake.KindHold, handshake.HoldReason(1+n/20%5), handshake.HeldVerdict
		return []record.Record{request, intent, record.Commit{Roll: roll, Offer: name}, verdict}
	}
	outcome := record.Outcome{Outcome: handshake.Outcome{Index: roll, RollNo: roll, Boot: 3, Req: roll, Session: name.Session, Offer: name.Offer, Outcome: handshake.Wrapped},
		Words: intent.Payload[:48], Weighing: &record.Weighing{Verdict: "good", Reading: 1204.5, Gross: 1203.1, Delta: 1.4, Text: "the reading agrees with the recipe"}}
	return []record.Record{request, intent, record.Commit{Roll: roll, Offer: name}, verdict, outcome}
}

// filled is a database with records of 50 lines over the 90 days before a moment.
func filled(b *testing.B, d *enginetest.Database, until time.Time, records int) (rolls int) {
	const lines, batch = 50, 1000
	const days = 90
	months(b, d, 4)
	c := d.Connect(b, enginetest.Machine)
	step := days * 24 * time.Hour / time.Duration(max(1, records/lines/5))
	began := time.Now()
	appended := 0
	for line := range lines {
		name := fmt.Sprintf("line%02d", line)
		var head journal.Head
		var genesis journal.Hash
		var waiting []journal.Entry
		at := until.Add(-days * 24 * time.Hour)
		for n := 0; at.Before(until) && appended < records*(line+1)/lines; n++ {
			for i, r := range recordsOfRoll(n, name) {
				e := linked(b, head, at.Add(time.Duration(i)*time.Second), r)
				head = headOf(e)
				waiting = append(waiting, e)
			}
			rolls++
			at = at.Add(step)
			if genesis == (journal.Hash{}) {
				genesis = waiting[0].Hash
				if _, err := c.Register(b.Context(), engine.Journal{Genesis: genesis, Line: name}); err != nil {
					b.Fatal(err)
				}
			}
			if len(waiting) >= batch {
				if _, err := c.Append(b.Context(), genesis, waiting); err != nil {
					b.Fatal(err)
				}
				appended += len(waiting)
				waiting = waiting[:0]
			}
		}
		if len(waiting) > 0 {
			if _, err := c.Append(b.Context(), genesis, waiting); err != nil {
				b.Fatal(err)
			}
			appended += len(waiting)
		}
	}
	b.Logf("%d records of %d rolls made, linked and appended in %.0f s, %.0f a second", appended, rolls, time.Since(began).Seconds(), float64(appended)/time.Since(began).Seconds())
	d.SQL(b, `ANALYZE`)
	size := d.SQL(b, `SELECT sum(pg_total_relation_size(inhrelid)) / `+fmt.Sprint(rolls)+`, sum(pg_indexes_size(inhrelid)) / `+fmt.Sprint(rolls)+` FROM pg_inherits WHERE inhparent = 'lapgate.records'::regclass`)
	b.Logf("bytes a roll, and of them indexes: %s", size)
	return rolls
}

// BenchmarkLong asks of many records what people ask.
func BenchmarkLong(b *testing.B) {
	d := enginetest.New(b)
	until := time.Now().UTC().Truncate(time.Hour)
	rolls := filled(b, d, until, *long)
	settings := d.Settings(enginetest.Reader)
	r, err := engine.Read(b.Context(), settings)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	c := plain(b, d, enginetest.Reader)
	count := func(b *testing.B, query string, args ...any) {
		for b.Loop() {
			rows, err := c.Query(b.Context(), query, args...)
			if err != nil {
				b.Fatal(err)
			}
			n := 0
			for rows.Next() {
				n++
			}
			if rows.Err() != nil || n == 0 {
				b.Fatalf("%d rows, %v", n, rows.Err())
			}
			b.ReportMetric(float64(n), "rows")
		}
	}
	b.Run("roll by tag", func(b *testing.B) {
		for b.Loop() {
			found, err := r.FindRoll(b.Context(), engine.Choice{}, fmt.Sprintf("R-line07-%07d", rolls/100+1), 0)
			if err != nil || len(found) == 0 {
				b.Fatalf("%d found, %v", len(found), err)
			}
		}
	})
	b.Run("shift of 50 lines", func(b *testing.B) {
		count(b, `SELECT line, journal, seq, at, kind, body FROM lapgate.records WHERE line = ANY(ARRAY(SELECT line FROM lapgate.lines)) AND at >= $1 AND at < $2`,
			until.Add(-10*24*time.Hour), until.Add(-10*24*time.Hour+8*time.Hour))
	})
	b.Run("holds by reason over 90 days of 50 lines", func(b *testing.B) {
		count(b, `SELECT line, reason, count(*) FROM lapgate.records WHERE kind = 'INTENT' AND reason IS NOT NULL AND at >= $1 GROUP BY 1, 2`, until.Add(-90*24*time.Hour))
	})
	b.Run("a chain verified there", func(b *testing.B) {
		for b.Loop() {
			var records int64
			var bad *int64
			err := c.QueryRow(b.Context(), `SELECT v.records, v.bad_seq FROM lapgate.journals j CROSS JOIN LATERAL lapgate.verify(j.genesis) v ORDER BY j.journal LIMIT 1`).Scan(&records, &bad)
			if err != nil || bad != nil || records == 0 {
				b.Fatalf("%d records, bad %v, %v", records, bad, err)
			}
			b.ReportMetric(float64(records), "records")
		}
	})
}

// BenchmarkAppend hands records on, in batches of a size.
func BenchmarkAppend(b *testing.B) {
	for _, size := range []int{1, 50, 1000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			d := enginetest.New(b)
			c := d.Connect(b, enginetest.Machine)
			var head journal.Head
			var genesis journal.Hash
			n := 0
			next := func() (out []journal.Entry) {
				for len(out) < size {
					for _, r := range recordsOfRoll(n, "north") {
						e := linked(b, head, time.Now(), r)
						head = headOf(e)
						out = append(out, e)
					}
					n++
				}
				if genesis == (journal.Hash{}) {
					genesis = out[0].Hash
					if _, err := c.Register(b.Context(), engine.Journal{Genesis: genesis, Line: "north"}); err != nil {
						b.Fatal(err)
					}
				}
				return out
			}
			records := 0
			var took time.Duration
			for b.Loop() {
				list := next()
				for len(list) > 0 {
					k := min(size, len(list))
					began := time.Now()
					if _, err := c.Append(b.Context(), genesis, list[:k]); err != nil {
						b.Fatal(err)
					}
					took += time.Since(began)
					records += k
					list = list[k:]
				}
			}
			b.ReportMetric(float64(records)/took.Seconds(), "records/s")
		})
	}
}
