// Package status shows what the gateway does: metrics for machines, a small
// page and JSON for people, and health. It only reads.
package status

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lapgate/gateway/alarm"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// Metrics are the counters of the handshake and of the shell around it. A nil
// *Metrics takes everything and does nothing.
type Metrics struct {
	sessions  *prometheus.CounterVec
	offers    *prometheus.CounterVec
	invalid   *prometheus.CounterVec
	stale     *prometheus.GaugeVec
	lag       *prometheus.GaugeVec
	lost      *prometheus.GaugeVec
	gaps      *prometheus.CounterVec
	records   *prometheus.CounterVec
	outcomes  *prometheus.CounterVec
	verdict   *prometheus.HistogramVec
	journal   *prometheus.HistogramVec
	faults    *prometheus.CounterVec
	notices   *prometheus.CounterVec
	dials     *prometheus.CounterVec
	refused   *prometheus.CounterVec
	forbidden *prometheus.CounterVec
	up        *prometheus.GaugeVec
	armed     *prometheus.GaugeVec
	reloads   *prometheus.CounterVec
	ends      *prometheus.GaugeVec
	accepted  prometheus.Gauge
	room      prometheus.Gauge
	onward    [3]*prometheus.GaugeVec // connected, record, backlog
	engine    [5]*prometheus.GaugeVec // connected, record, backlog, since, stopped
	others    *prometheus.GaugeVec
	pair      [5]*prometheus.GaugeVec // acts, since, lease, engine, other machine

	mu     sync.Mutex
	asked  map[roll]time.Time       // wall time of the request record
	counts map[string][]cycle.Count // of the machine, newest, by line
	alarms map[string][]alarm.Alarm // newest, by line
}

type roll struct {
	line   string
	number uint32
}

// NewMetrics registers all metrics. It fails when the registry already has one
// of their names.
func NewMetrics(r prometheus.Registerer) (*Metrics, error) {
	m := &Metrics{asked: map[roll]time.Time{}, counts: map[string][]cycle.Count{}, alarms: map[string][]alarm.Alarm{}}
	var err error
	add := func(c prometheus.Collector) {
		if err == nil {
			err = r.Register(c)
		}
	}
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		c := prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "lapgate", Name: name, Help: help}, append([]string{"line"}, labels...))
		add(c)
		return c
	}
	gauge := func(name, help string) *prometheus.GaugeVec {
		c := prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: "lapgate", Name: name, Help: help}, []string{"line"})
		add(c)
		return c
	}
	histogram := func(name, help string, buckets []float64) *prometheus.HistogramVec {
		c := prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: "lapgate", Name: name, Help: help, Buckets: buckets}, []string{"line"})
		add(c)
		return c
	}
	m.sessions = counter("sessions_total", "Sessions opened, by cause.", "cause")
	m.offers = counter("offers_total", "Offers judged by the controller, by verdict and reason.", "verdict", "reason")
	m.invalid = counter("invalid_reads_total", "Request blocks read that were not whole, by cause.", "cause")
	m.stale = gauge("stale_commits", "Commits that the controller ignored, by its own counter.")
	m.lag = gauge("acknowledge_lag", "Outcomes produced and not yet acknowledged.")
	m.lost = gauge("outcomes_overwritten", "Outcomes overwritten before they were read, by the controller's own counter.")
	m.gaps = counter("gaps_total", "Gap records written.")
	m.records = counter("records_total", "Records made durable, by kind.", "kind")
	m.outcomes = counter("outcomes_total", "Outcomes journaled, by kind.", "outcome")
	m.verdict = histogram("request_to_verdict_seconds", "Time from the record of a request to the record of its verdict.", []float64{.1, .2, .3, .5, .75, 1, 1.5, 2, 3, 5, 10, 30})
	m.journal = histogram("journal_append_seconds", "Time to make one record durable.", prometheus.ExponentialBuckets(0.0001, 2, 14))
	m.faults = counter("journal_faults_total", "Records that could not be made durable.")
	m.notices = counter("notices_total", "Notices of the machine, by code and level.", "code", "level")
	m.dials = counter("dial_failures_total", "Failed attempts to connect to the controller.")
	m.refused = counter("refused_total", "Requests that the controller refused, by block.", "block")
	m.forbidden = counter("writes_forbidden_total", "Writes not done because the line is in shadow.")
	m.up = gauge("connected", "1 while a connection to the controller stands.")
	m.armed = gauge("armed", "1 while the line may write.")
	m.onward = [...]*prometheus.GaugeVec{
		gauge("publication_connected", "1 while a connection to the broker stands."),
		gauge("publication_record", "Number of the record of which the newest message was taken by the broker."),
		gauge("publication_backlog_records", "Records behind it that nobody took yet."),
	}
	m.engine = [...]*prometheus.GaugeVec{
		gauge("engine_connected", "1 while a connection to the engine of the mill's record stands."),
		gauge("engine_record", "Number of the newest record that has arrived in the engine."),
		gauge("engine_backlog_records", "Records behind it that the engine has not got yet."),
		gauge("engine_backlog_since_seconds", "Time of the oldest of them, in seconds since 1970; 0 for none."),
		gauge("engine_shipping_stopped", "1 while the engine takes the journal no more, until a person registers it anew."),
	}
	m.others = prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: "lapgate", Name: "engine_other_record", Help: "Number of the newest record of another machine's journal in the engine."}, []string{"line", "machine"})
	add(m.others)
	m.pair = [...]*prometheus.GaugeVec{
		gauge("pair_acts", "1 while this machine of the pair acts on the line."),
		gauge("pair_since_seconds", "Since when its role is what it is, in seconds since 1970."),
		gauge("pair_lease", "Number of the lease that it holds, or saw last."),
		gauge("pair_engine_connected", "1 while the engine between the machines answers."),
		gauge("pair_other_present", "1 while the other machine of the pair is there."),
	}
	add(machineCounts{m})
	add(lineAlarms{m})
	m.ends = prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: "lapgate", Name: "certificate_end_seconds", Help: "When a certificate ends, in seconds since 1970."}, []string{"line", "certificate"})
	add(m.ends)
	m.reloads = prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "lapgate", Name: "config_reloads_total", Help: "Attempts to put another configuration in force, by result."}, []string{"result"})
	add(m.reloads)
	m.accepted = prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "lapgate", Name: "config_accepted", Help: "1 unless the newest configuration was refused."})
	m.accepted.Set(1)
	add(m.accepted)
	m.room = prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "lapgate", Name: "journal_disk_free_bytes", Help: "Bytes free on the disk of the journals."})
	add(m.room)
	if err != nil {
		return nil, err
	}
	return m, nil
}

// machineCounts publishes the machine's own counters under one name: resends,
// read-back differences, offers settled and the like, by key.
type machineCounts struct{ m *Metrics }

func countsDesc() *prometheus.Desc {
	return prometheus.NewDesc("lapgate_handshake_total", "What the handshake counts, by key: resends, settled offers, read-back differences and others.", []string{"line", "key"}, nil)
}

// Describe sends the one description.
func (c machineCounts) Describe(ch chan<- *prometheus.Desc) { ch <- countsDesc() }

// Collect sends the counters of every line as they were last seen.
func (c machineCounts) Collect(ch chan<- prometheus.Metric) {
	c.m.mu.Lock()
	defer c.m.mu.Unlock()
	for line, counts := range c.m.counts {
		for _, n := range counts {
			ch <- prometheus.MustNewConstMetric(countsDesc(), prometheus.CounterValue, float64(n.N), line, n.Key)
		}
	}
}

// lineAlarms publishes the alarms that are not normal.
type lineAlarms struct{ m *Metrics }

func alarmsDesc() *prometheus.Desc {
	return prometheus.NewDesc("lapgate_alarm", "1 for each alarm that is not normal, with its priority and state in the words of IEC 62682.", []string{"line", "alarm", "priority", "state"}, nil)
}

// Describe sends the one description.
func (c lineAlarms) Describe(ch chan<- *prometheus.Desc) { ch <- alarmsDesc() }

// Collect sends the alarms of every line as they were last seen.
func (c lineAlarms) Collect(ch chan<- prometheus.Metric) {
	c.m.mu.Lock()
	defer c.m.mu.Unlock()
	for line, alarms := range c.m.alarms {
		for _, a := range alarms {
			ch <- prometheus.MustNewConstMetric(alarmsDesc(), prometheus.GaugeValue, 1, line, a.Key, a.Priority.String(), a.State.String())
		}
	}
}

// Recorded counts a record that became durable, and how long that took.
func (m *Metrics) Recorded(line string, s record.Stored, took time.Duration) {
	if m == nil {
		return
	}
	m.journal.WithLabelValues(line).Observe(took.Seconds())
	m.records.WithLabelValues(line, string(s.Record.Kind())).Inc()
	m.mu.Lock()
	defer m.mu.Unlock()
	switch r := s.Record.(type) {
	case record.Session:
		m.sessions.WithLabelValues(line, r.Cause).Inc()
	case record.Request:
		m.asked[roll{line, r.Roll}] = s.At
	case record.Verdict:
		m.offers.WithLabelValues(line, handshake.Spelled(r.Verdict.String()), handshake.VerdictReason(r.Verdict, r.Reason)).Inc()
		if at, ok := m.asked[roll{line, r.Roll}]; ok {
			m.verdict.WithLabelValues(line).Observe(s.At.Sub(at).Seconds())
		}
	case record.Void:
		m.offers.WithLabelValues(line, "void", "none").Inc()
	case record.Outcome:
		m.outcomes.WithLabelValues(line, handshake.Spelled(r.Outcome.Outcome.String())).Inc()
		delete(m.asked, roll{line, r.Outcome.RollNo})
	case record.Gap:
		m.gaps.WithLabelValues(line).Inc()
	}
}

// Seen takes the controller's own counters from a request block.
func (m *Metrics) Seen(line string, r *handshake.Request) {
	if m == nil {
		return
	}
	m.stale.WithLabelValues(line).Set(float64(r.StaleCommits))
	m.lag.WithLabelValues(line).Set(float64(r.Produced - r.Acked))
	m.lost.WithLabelValues(line).Set(float64(r.Overwritten))
}

// BadView counts a request block that was not whole.
func (m *Metrics) BadView(line, cause string) {
	if m != nil {
		m.invalid.WithLabelValues(line, cause).Inc()
	}
}

// JournalFailed counts a record that could not be made durable.
func (m *Metrics) JournalFailed(line string) {
	if m != nil {
		m.faults.WithLabelValues(line).Inc()
	}
}

// Notified counts a notice of the machine.
func (m *Metrics) Notified(line, code string, level cycle.Level) {
	if m != nil {
		m.notices.WithLabelValues(line, code, levelWord(level)).Inc()
	}
}

// DialFailed counts a failed attempt to connect.
func (m *Metrics) DialFailed(line string) {
	if m != nil {
		m.dials.WithLabelValues(line).Inc()
	}
}

// Refused counts a request that the controller refused.
func (m *Metrics) Refused(line string, b handshake.ID) {
	if m != nil {
		m.refused.WithLabelValues(line, b.String()).Inc()
	}
}

// WriteForbidden counts a write that was not done in shadow.
func (m *Metrics) WriteForbidden(line string) {
	if m != nil {
		m.forbidden.WithLabelValues(line).Inc()
	}
}

// CertificateEnds takes the end of a certificate.
func (m *Metrics) CertificateEnds(line, name string, ends time.Time) {
	if m != nil {
		m.ends.WithLabelValues(line, name).Set(seconds(ends))
	}
}

// Room takes the bytes that are free on the disk of the journals.
func (m *Metrics) Room(free uint64) {
	if m != nil {
		m.room.Set(float64(free))
	}
}

// Onward takes how far the records of a line are sent onward.
func (m *Metrics) Onward(line string, o Onward) {
	if m != nil {
		m.onward[0].WithLabelValues(line).Set(oneIf(o.Connected))
		m.onward[1].WithLabelValues(line).Set(float64(o.Record))
		m.onward[2].WithLabelValues(line).Set(float64(o.Backlog))
	}
}

// Engine takes how far the journal of a line has arrived in the engine.
func (m *Metrics) Engine(line string, e Engine) {
	if m == nil {
		return
	}
	for i, v := range [...]float64{oneIf(e.Connected), float64(e.Record), float64(e.Backlog), seconds(e.Since), oneIf(e.Stopped)} {
		m.engine[i].WithLabelValues(line).Set(v)
	}
	for _, o := range e.Others {
		m.others.WithLabelValues(line, o.Machine).Set(float64(o.Record))
	}
}

// Line takes the state of a line.
func (m *Metrics) Line(l *Line) {
	if m == nil {
		return
	}
	m.up.WithLabelValues(l.Name).Set(oneIf(l.Connected))
	m.armed.WithLabelValues(l.Name).Set(oneIf(l.Armed))
	if p := l.Pair; p != nil {
		for i, v := range [...]float64{oneIf(p.Acts), seconds(p.Since), float64(p.Lease), oneIf(p.Silent == ""), oneIf(p.OtherThere)} {
			m.pair[i].WithLabelValues(l.Name).Set(v)
		}
	}
	m.mu.Lock()
	m.counts[l.Name] = l.Machine.Counts
	m.alarms[l.Name] = l.Alarms
	m.mu.Unlock()
}

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// seconds is a moment in seconds since 1970, 0 for none.
func seconds(at time.Time) float64 {
	if at.IsZero() {
		return 0
	}
	return float64(at.UnixMilli()) / 1000
}

// levelWord is the word for the level of a notice.
func levelWord(l cycle.Level) string {
	switch l {
	case cycle.Info:
		return "info"
	case cycle.Warning:
		return "warning"
	}
	return "alarm"
}
