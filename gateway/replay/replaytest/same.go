// Package replaytest proves of a journal that it holds all that its decisions
// rest on.
package replaytest

import (
	"context"
	"reflect"
	"slices"
	"testing"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Configuration is a line's recipe settings under their hash. Hash 0 stands for
// whatever a journal was decided under; where a setting stands is then not
// compared, as it may have been read from another file.
type Configuration struct {
	Hash uint32
	Line *recipe.Line
}

// Same decides again on every round of the journal at path that was decided
// under one of the configurations, and fails the test where a word of the
// payload or a finding is another than the one recorded. It returns how many
// rounds it decided.
func Same(tb testing.TB, path string, known ...Configuration) (rounds int) {
	tb.Helper()
	ctx := context.Background()
	r, err := journal.OpenWhole(ctx, path)
	if err != nil {
		tb.Error(err)
		return 0
	}
	defer func() {
		if err := r.Close(); err != nil {
			tb.Error(err)
		}
	}()
	var history record.History
	err = r.Replay(ctx, func(s record.Stored) error {
		rolls, err := history.Add(s)
		rounds += sameRolls(tb, rolls, known)
		return err
	})
	if err != nil {
		tb.Error(err)
	}
	return rounds + sameRolls(tb, history.Rest(), known)
}

func sameRolls(tb testing.TB, rolls []*record.Roll, known []Configuration) (rounds int) {
	tb.Helper()
	for _, roll := range rolls {
		for i := range roll.Rounds {
			if sameRound(tb, &roll.Rounds[i], known) {
				rounds++
			}
		}
	}
	return rounds
}

// sameRound decides again on one round, and reports whether it did.
func sameRound(tb testing.TB, r *record.Round, known []Configuration) bool {
	tb.Helper()
	words, findings, ok := r.Decided()
	if !ok {
		return false
	}
	var p handshake.Payload
	if err := handshake.DecodePayload(words, &p); err != nil {
		tb.Errorf("roll %d: %v", r.Request.Roll, err)
		return false
	}
	at := slices.IndexFunc(known, func(k Configuration) bool { return k.Hash == 0 || k.Hash == p.ConfigHash })
	if at < 0 {
		return false
	}
	d := cycle.Decide(known[at].Line, &r.Request, &r.Basis, r.Override)
	d.Payload.Session, d.Payload.Offer, d.Payload.ConfigHash = p.Session, p.Offer, p.ConfigHash
	again, err := d.Words()
	if err != nil {
		tb.Errorf("roll %d: %v", r.Request.Roll, err)
		return true
	}
	if !slices.Equal(words, again) {
		tb.Errorf("roll %d, request %d: the payload decided again differs from the one recorded\n%+v\n%+v", r.Request.Roll, r.Request.Token.Req, d.Payload, p)
	}
	if known[at].Hash == 0 {
		findings, d.Findings = placeless(findings), placeless(d.Findings)
	}
	if len(findings)+len(d.Findings) > 0 && !reflect.DeepEqual(findings, d.Findings) {
		tb.Errorf("roll %d, request %d: decided again\n%+v\nrecorded\n%+v", r.Request.Roll, r.Request.Token.Req, d.Findings, findings)
	}
	return true
}

// placeless returns findings without where their limits stand.
func placeless(findings []recipe.Finding) []recipe.Finding {
	out := slices.Clone(findings)
	for i := range out {
		out[i].Where = ""
	}
	return out
}
