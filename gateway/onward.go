package gateway

import (
	"context"
	"sync"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/cycle"
	"lapgate/gateway/publish"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
)

// The waits before a broker is tried again.
const (
	brokerFirst = time.Second
	brokerLast  = time.Minute
)

// noteOnward is how long after a message a record says that it was taken, where the
// shift does not end before: a restart sends at most so much again.
const noteOnward = 10 * time.Minute

// onward is the publication of one line.
type onward struct {
	line    string
	publish *publish.Publisher
	wait    backoff
	failing outage
}

// publishers prepares the publication of each line, where there is a broker. They are
// told of each record.
func (g *Gateway) publishers() {
	broker := g.options.Broker
	if broker == nil {
		return
	}
	byLine := map[string]*onward{}
	for _, p := range g.lines {
		o := &onward{line: p.name, wait: backoff{first: brokerFirst, last: brokerLast, jitter: g.options.Jitter}}
		o.publish = publish.New(*broker, publish.Line{
			Name: p.name, Journal: p.loop().file, Rule: cycle.RuleOf,
			Note:   func(ctx context.Context, r record.Published) error { return g.noteOnward(ctx, p.name, r) },
			NoteBy: g.noteBy,
			Pause:  func(ctx context.Context, failure error) { g.pauseOnward(ctx, o, failure) },
			Changed: func(s publish.State) {
				g.options.Metrics.Onward(p.name, onwardOf(s))
				if s.Connected && s.Error == "" {
					g.onwardAgain(o)
				}
			},
			Lost: func(from, to uint64) {
				g.options.Log.Warn("records were removed before they were sent onward", zap.String("line", p.name), zap.Uint64("from", from), zap.Uint64("to", to))
			},
		})
		byLine[p.name] = o
	}
	told := g.options.OnRecord
	g.options.OnRecord = func(line string, s record.Stored) {
		byLine[line].publish.Recorded(s)
		if told != nil {
			told(line, s)
		}
	}
	g.onwards = byLine
}

// publishAll sends onward until ctx ends. No line waits for it.
func (g *Gateway) publishAll(ctx context.Context) {
	var wait sync.WaitGroup
	for _, p := range g.lines {
		o := g.onwards[p.name]
		if o == nil {
			continue
		}
		l := p.loop()
		wait.Go(func() {
			l.awaitStart(ctx) // its journal is there from then on
			o.publish.Run(ctx)
		})
	}
	wait.Wait()
}

// noteBy is when it is recorded at the latest that a message of a time was taken.
func (g *Gateway) noteBy(at time.Time) time.Time {
	by := at.Add(noteOnward)
	if end := g.shifts.Load().End(at); end.Before(by) {
		return end
	}
	return by
}

func (g *Gateway) noteOnward(ctx context.Context, line string, r record.Published) error {
	l, err := g.line(line)
	if err != nil {
		return err
	}
	return l.ask(ctx, func(run context.Context) { l.append(context.WithoutCancel(run), r) })
}

// pauseOnward tells of a failure to send onward, and waits before the next attempt.
func (g *Gateway) pauseOnward(ctx context.Context, o *onward, failure error) {
	if o.failing.begin(time.Now(), failure) {
		rule, _ := cycle.RuleOf(cycle.ConditionOnward)
		g.options.Metrics.Notified(o.line, cycle.ConditionOnward, cycle.Warning)
		g.options.Log.Warn(rule.Meaning, zap.String("line", o.line), zap.String("code", rule.Code), zap.Error(failure), zap.String("remedy", rule.Remedy.String()))
	}
	timer := time.NewTimer(o.wait.next())
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

// onwardAgain tells that messages are taken again.
func (g *Gateway) onwardAgain(o *onward) {
	o.wait.reset()
	if told := o.failing.end(time.Now()); told != nil {
		g.options.Log.Info("messages are sent onward again", append(told, zap.String("line", o.line))...)
	}
}

// onwardState is how far the publication of a line is, nil where nothing is sent
// onward.
func (g *Gateway) onwardState(line string) *status.Onward {
	o := g.onwards[line]
	if o == nil {
		return nil
	}
	s := onwardOf(o.publish.State())
	return &s
}

func onwardOf(s publish.State) status.Onward {
	return status.Onward{Connected: s.Connected, Error: s.Error, Record: s.Sequence, At: s.At, Backlog: s.Backlog}
}

// behind tells whether messages of a line wait because nobody takes them.
func (g *Gateway) behind(line string) bool {
	s := g.onwardState(line)
	return s != nil && s.Error != "" && s.Backlog > 0
}
