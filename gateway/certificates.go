package gateway

import (
	"context"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/alarm"
	"lapgate/gateway/cycle"
)

// callDays are the days before the end of a certificate at which people are called,
// each time anew.
var callDays = [...]int{30, 14, 7, 1}

const (
	day              = 24 * time.Hour
	certificateLooks = time.Hour
)

// stageOf counts the calls that a certificate has passed, 0 for none.
func stageOf(left time.Duration) (n int) {
	for _, days := range callDays {
		if left <= time.Duration(days)*day {
			n++
		}
	}
	return n
}

// watchCertificates looks at the certificates of each line until ctx ends, and tells
// of each that ends soon. One that was renewed is seen by the next look.
func (g *Gateway) watchCertificates(ctx context.Context) {
	ticker := time.NewTicker(certificateLooks)
	defer ticker.Stop()
	stages := map[string]int{}
	for {
		ends := map[string][]alarm.Condition{}
		for _, p := range g.lines {
			ends[p.name] = g.judgeCertificates(p, stages)
		}
		g.endings.Store(&ends)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// judgeCertificates returns the conditions of the certificates of one line. stages are
// those that people were told of.
func (g *Gateway) judgeCertificates(p *place, stages map[string]int) (out []alarm.Condition) {
	l := p.loop()
	now := time.Now()
	for _, c := range g.options.Certificates(l.set.config) {
		left := c.Ends.Sub(now)
		g.options.Metrics.CertificateEnds(p.name, c.Name, c.Ends)
		stage, key := stageOf(left), cycle.ConditionCertificate+"/"+c.Name
		told := p.name + "/" + key
		if stage > stages[told] {
			condition, _ := cycle.ConditionOf(cycle.ConditionCertificate)
			words := g.Words()
			g.options.Metrics.Notified(p.name, cycle.ConditionCertificate, cycle.Warning)
			l.log.Warn(words.Of("told.certificate-ends", "certificate", c.Text), zap.String("code", cycle.ConditionCertificate), zap.String("of", c.Name),
				zap.Time("ends", c.Ends), zap.Int("days_left", int(left/day)), zap.String("remedy", words.Text(condition.Remedy)))
		}
		stages[told] = stage
		if stage > 0 {
			out = append(out, alarm.Condition{Key: key, Stage: stage})
		}
	}
	return out
}
