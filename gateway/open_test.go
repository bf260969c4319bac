package gateway_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/record"
)

// A line with open values stays in shadow, whoever arms it and however, and says why;
// nothing is offered of what stands in. An armed one is not given such values.
func TestOpenValuesKeepTheLineInShadow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, map[string]string{"lines.0.cradle.friction": "open", "papers.0.caliper": "open"})
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options()) // which would arm it
		<-time.After(5 * time.Second)   // of virtual time
		synctest.Wait()
		_, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "go live", nil)
		var open *gateway.OpenError
		if !errors.As(err, &open) || len(open.Open) != 2 || !strings.Contains(err.Error(), "lines.0.cradle.friction") || !strings.Contains(err.Error(), "until it slips") {
			t.Errorf("arm says %v", err)
		}
		if g.Lines()[0].Armed || s.count(record.KindMode) != 0 {
			t.Error("the line was armed")
		}
		if s.logs.FilterMessageSnippet("stays in shadow").Len() != 1 {
			t.Error("the log does not say why the line stays in shadow")
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		<-time.After(5 * time.Second) // of virtual time
		synctest.Wait()
		next := snapshot(t, s.snapshot.Journal.Directory, map[string]string{"papers.0.caliper": "open"})
		if err := reload(g, next, "kim"); err == nil || !strings.Contains(err.Error(), "disarm it first") {
			t.Errorf("a value of an armed line was opened: %v", err)
		}
		if err := g.Disarm(t.Context(), "north", gateway.Person{By: "kim"}, "to measure"); err != nil {
			t.Error(err)
		}
		synctest.Wait()
		if err := reload(g, next, "kim"); err != nil {
			t.Error(err)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}
