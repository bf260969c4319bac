package gateway_test

import (
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/publish"
)

// TestBrokerAway: a broker that does not answer is a condition and in time an alarm, and
// the line is served on.
func TestBrokerAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		o := s.options()
		o.Broker = &publish.Broker{Address: "broker:8883", Topic: "mill", Client: "lapgate",
			Dial: func(context.Context, string, string) (net.Conn, error) { return nil, errors.New("no route") }}
		g, stop := s.start(o)
		until(t, time.Minute, "the condition stands", func() bool {
			l := g.Lines()[0]
			return slices.Contains(l.Machine.Conditions, cycle.ConditionOnward) && l.Machine.Seen
		})
		if at := g.Lines()[0].Onward; at == nil || at.Connected || at.Backlog == 0 || !strings.Contains(at.Error, "no route") {
			t.Errorf("the publication is %+v", at)
		}
		until(t, 10*time.Minute, "the alarm", func() bool { return strings.Contains(alarmsOf(g, 0), cycle.ConditionOnward) })
		if l := g.Lines()[0]; l.Ended || !l.Connected {
			t.Errorf("the line is %+v", l)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}
