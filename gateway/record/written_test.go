package record_test

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// sameAsAny reports whether a record is read as encoding/json alone reads it, error included.
func sameAsAny(k record.Kind, text []byte) error {
	got, err := record.Unmarshal(k, text)
	want, wrong := record.ReadAny(k, text)
	switch {
	case (err == nil) != (wrong == nil):
		return fmt.Errorf("%s %s: got %w, want %w", k, text, err, wrong)
	case err != nil && !strings.HasSuffix(err.Error(), wrong.Error()):
		return fmt.Errorf("%s %s: got the error %w, want %w", k, text, err, wrong)
	case !reflect.DeepEqual(got, want):
		return fmt.Errorf("%s %s: read\n%+v\nwant\n%+v", k, text, got, want)
	}
	return nil
}

// What Marshal writes is read without encoding/json, but for a kind that has a map.
func TestWrittenRecordsAreReadByOrder(t *testing.T) {
	for _, r := range append(sampleRecords(), heldRecord(), record.Request{}, record.Outcome{}, record.Shadow{Findings: []recipe.Finding{}}) {
		b, err := record.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := record.ReadWritten(r.Kind(), b)
		if want := r.Kind() != record.KindOverride; ok != want {
			t.Errorf("%s is read as it was written: %v, want %v\n%s", r.Kind(), ok, want, b)
		} else if ok && !reflect.DeepEqual(got, r) {
			t.Errorf("%s: wrote %+v, read %+v", r.Kind(), r, got)
		}
		if err := sameAsAny(r.Kind(), b); err != nil {
			t.Error(err)
		}
	}
}

// heldRecord has a finding in sentences of the table, one in another, and characters that
// stand as escapes.
func heldRecord() record.Record {
	said := wording.Say("list.comma", "first", wording.Say("fit.too-narrow"), "rest", wording.Plain("a < b & \"c\" \\ d\n"))
	return record.Shadow{Token: handshake.Token{Boot: 1, Req: 2}, Roll: 3, Tag: "Größe 7 µm \u2028 \U0001F4DC", Verdict: "hold", Payload: []uint16{0, 1, 65535},
		Findings: []recipe.Finding{recipe.Finding{Code: "no-slot", Severity: recipe.Warn, Field: "wrapper_slot"}.Saying(said)},
		Risk:     recipe.Risk{recipe.RiskBond: {Known: true, P: 1.5e-11}, recipe.RiskHead: {Known: true}}}
}

// A record in any other form is read, or refused, by encoding/json.
func TestRecordsInAnotherForm(t *testing.T) {
	for _, c := range []struct {
		kind      record.Kind
		text      string
		asWritten bool
	}{
		{record.KindCommit, `{"roll_no":1,"offer":{"session":{"epoch":7,"nonce":9},"offer":3}}`, true},
		{record.KindCommit, `{}`, true},
		{record.KindCommit, `{"offer":{"offer":3}}`, true},
		{record.KindCommit, ` {"roll_no":1}`, false},
		{record.KindCommit, `{"roll_no":1} `, false},
		{record.KindCommit, `{"roll_no": 1}`, false},
		{record.KindCommit, `{"roll_no":1,}`, false},
		{record.KindCommit, `{"roll_no":1`, false},
		{record.KindCommit, `{"offer":{"offer":3},"roll_no":1}`, false},
		{record.KindCommit, `{"roll_no":1,"roll_no":2}`, false},
		{record.KindCommit, `{"ROLL_NO":1}`, false},
		{record.KindCommit, `{"\u0072oll_no":1}`, false},
		{record.KindCommit, `{"roll_no":null}`, false},
		{record.KindCommit, `{"roll_no":01}`, false},
		{record.KindCommit, `{"roll_no":1.0}`, false},
		{record.KindCommit, `{"roll_no":1e3}`, false},
		{record.KindCommit, `{"roll_no":-1}`, false},
		{record.KindCommit, `{"roll_no":4294967296}`, false},
		{record.KindCommit, `{"roll_no":99999999999999999999999}`, false},
		{record.KindCommit, `{"roll_no":}`, false},
		{record.KindCommit, `{"roll_no":1,"colour":"red"}`, false},
		{record.KindCommit, `{"roll_no":1}{"roll_no":2}`, false},
		{record.KindCommit, `null`, false},
		{record.KindCommit, `[]`, false},
		{record.KindCommit, ``, false},
		{record.KindFrame, `{"words":[1,2,65535]}`, true},
		{record.KindFrame, `{"words":[]}`, true},
		{record.KindFrame, `{"words":null}`, true},
		{record.KindFrame, `{"words":[65536]}`, false},
		{record.KindFrame, `{"words":[1,]}`, false},
		{record.KindFrame, `{"words":[1, 2]}`, false},
		{record.KindFrame, `{"words":[-0]}`, false},
		{record.KindFrame, `{"words":[1`, false},
		{record.KindFrame, "{\"case\":\"a\x01\"}", false},
		{record.KindFrame, "{\"case\":\"\xff\"}", true},
		{record.KindFrame, `{"case":"\ud800"}`, true},
		{record.KindFrame, `{"case":"\q"}`, false},
		{record.KindFrame, `{"case":"\`, false},
		{record.KindFrame, `{"case":"a`, false},
		{record.KindHeads, `{"diameter_m":-0}`, true},
		{record.KindHeads, `{"diameter_m":1.25e-07}`, true},
		{record.KindHeads, `{"diameter_m":1E5}`, false},
		{record.KindHeads, `{"diameter_m":1.}`, false},
		{record.KindHeads, `{"diameter_m":.5}`, false},
		{record.KindHeads, `{"diameter_m":+1}`, false},
		{record.KindHeads, `{"diameter_m":1e}`, false},
		{record.KindHeads, `{"diameter_m":1e999}`, false},
		{record.KindHeads, `{"diameter_m":0x10}`, false},
		{record.KindHeads, `{"diameter_m":"1"}`, false},
		{record.KindHold, `{"on":true}`, true},
		{record.KindHold, `{"on":false}`, true},
		{record.KindHold, `{"on":true1}`, false},
		{record.KindStation, `{"until":"2026-11-26T06:00:00Z"}`, true},
		{record.KindStation, `{"until":"yesterday"}`, false},
		{record.KindVerdict, `{"verdict":"accepted"}`, true},
		{record.KindVerdict, `{"verdict":2}`, true},
		{record.KindVerdict, `{"verdict":{}}`, false},
		{record.KindVerdict, `{"verdict":"perhaps"}`, false},
		{record.KindShadow, `{"risk":{"bond":0.5}}`, true},
		{record.KindShadow, `{"risk":{"bond":[}}`, false},
		{record.KindShadow, `{"risk":{"bond":0.5}`, false},
		{record.KindShadow, `{"findings":[{"severity":"warn"}]}`, true},
		{record.KindShadow, `{"findings":[{"severity":"grave"}]}`, false},
		{record.KindRequest, `{"stand":{"ready":[true,false,true,false,true,false]}}`, true},
		{record.KindRequest, `{"stand":{"ready":[true]}}`, false},
		{record.KindRequest, `{"stand":{"ready":[true,true,true,true,true,true,true]}}`, false},
		{record.KindRequest, `{"flags":null}`, true},
		{record.KindRequest, `{"flags":49}`, true},
		{record.KindShadow, `{"findings":[{"said":` + strings.Repeat(`{"key":"a","args":[{"name":"b","said":`, 20) + `{"key":"c"}` + strings.Repeat(`}]}`, 20) + `}]}`, true},
		{record.KindShadow, `{"findings":[{"said":` + strings.Repeat(`{"key":"a","args":[{"name":"b","said":`, 2000) + `{"key":"c"}` + strings.Repeat(`}]}`, 2000) + `}]}`, false},
	} {
		if err := sameAsAny(c.kind, []byte(c.text)); err != nil {
			t.Error(err)
		}
		if _, ok := record.ReadWritten(c.kind, []byte(c.text)); ok != c.asWritten {
			t.Errorf("%s %.60s: as Marshal writes it: %v, want %v", c.kind, c.text, ok, c.asWritten)
		}
	}
}

// Each record with one character left out, doubled or changed is read as encoding/json reads it.
func TestDamagedRecords(t *testing.T) {
	for _, r := range append(sampleRecords(), heldRecord()) {
		whole, err := record.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		for i := range whole {
			for _, put := range []string{"", `"`, "0", "}", strings.Repeat(string(whole[i:i+1]), 2)} {
				text := string(whole[:i]) + put + string(whole[i+1:])
				if err := sameAsAny(r.Kind(), []byte(text)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// BenchmarkUnmarshal reads records as they are written, and by encoding/json alone.
func BenchmarkUnmarshal(b *testing.B) {
	request := sampleRecords()[2].(record.Request)
	request.Measured.DiameterU, request.Measured.Ovality = math.Pi/1000, math.Sqrt2/1000
	for _, r := range []record.Record{request, heldRecord(), record.Outcome{Words: make([]uint16, handshake.OutWords)}} {
		text, err := record.Marshal(r)
		if err != nil {
			b.Fatal(err)
		}
		for _, way := range []struct {
			name string
			read func(record.Kind, []byte) (record.Record, error)
		}{{"written", record.Unmarshal}, {"any", record.ReadAny}} {
			b.Run(string(r.Kind())+"/"+way.name, func(b *testing.B) {
				b.ReportAllocs()
				b.SetBytes(int64(len(text)))
				for b.Loop() {
					if _, err := way.read(r.Kind(), text); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
