package status

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/present"
)

// page is read-only: it has no form, no script and no link that changes
// anything.
var page = template.Must(template.New("page").Funcs(template.FuncMap{"rows": rows, "clean": present.Clean}).Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="refresh" content="5">
<title>lapgate</title>
<style>
body { font: 16px/1.4 sans-serif; margin: 2em; max-width: 60em }
table { border-collapse: collapse; margin-bottom: 2em }
th, td { text-align: left; padding: .2em 1em .2em 0; border-bottom: 1px solid #ccc; vertical-align: top }
.bad { color: #a00000; font-weight: bold }
</style>
</head>
<body>
<h1>lapgate {{.Version}}</h1>
<p>Advisory only. Guards, emergency stops and temperature trips are in the line's safety system, not here.</p>
{{with .Config}}<p>configuration {{.File}}, hash {{.Hash}}{{if .At}}, read again {{.At.Format "2006-01-02 15:04:05 MST"}} by {{.By}}{{end}}</p>
{{with .Refused}}<p class="bad">a newer configuration was refused {{.At.Format "2006-01-02 15:04:05 MST"}} ({{.By}}), the one before stays in force: {{clean .Error}}</p>
{{end}}{{end}}{{range .Lines}}
<h2>{{.Name}}</h2>
<table>
<tr><th>connection</th><td>{{if .Ended}}<span class="bad">none: the line is not served</span>{{else if .Connected}}up{{else}}<span class="bad">down</span>{{end}}</td></tr>
<tr><th>writing</th><td>{{if .Ended}}nothing is written{{else if .Armed}}armed{{else}}shadow, nothing is written{{end}}</td></tr>
{{if .Error}}<tr><th>trouble</th><td class="bad">{{clean .Error}}</td></tr>{{end}}
{{if .Ended}}<tr><th>goes on</th><td>{{if .Alive}}by itself, in shadow; tried again {{.Again.Format "2006-01-02 15:04:05 MST"}}{{else}}when a person has seen to it, in shadow: lapgate restart --line {{.Name}} --by NAME{{end}}</td></tr>{{end}}
{{range rows .}}<tr><th>{{.Name}}</th><td>{{clean .Value}}</td></tr>
{{end}}<tr><th>as of</th><td>{{.At.Format "2006-01-02 15:04:05 MST"}}</td></tr>
</table>
{{end}}
</body>
</html>
`))

type row struct{ Name, Value string }

// rows are what the page shows of the machine, in a fixed order. A line that
// has read no request shows nothing of one: what was never read is not a zero.
func rows(l Line) []row {
	v := viewOf(&l)
	if l.Ended {
		return nil // the machine stands still; its state of then is no state of now
	}
	out := []row{{"state", v.State}}
	if v.Reason != "" {
		out = append(out, row{"reason", v.Reason})
	}
	if v.Session != nil {
		out = append(out, row{"session", fmt.Sprintf("%d/%08X", v.Session.Epoch, v.Session.Nonce)})
	}
	out = append(out, row{"configuration", v.Config.String()})
	if r := v.Request; r != nil {
		out = append(out,
			row{"roll at the station", fmt.Sprintf("%d %s, %s", r.Roll, r.Tag, r.Phase)},
			row{"read", fmt.Sprintf("%.1f s ago", r.Age)},
			row{"outcomes", fmt.Sprintf("%d produced, %d in the journal, %d acknowledged", r.Produced, r.Journaled, r.Acked)})
	}
	if v.HoldAll {
		out = append(out, row{"hold", "every roll is held by an operator"})
	}
	if len(v.Conditions) > 0 {
		out = append(out, row{"conditions", strings.Join(v.Conditions, ", ")})
	}
	return out
}

// view is a line as JSON shows it. Times are in seconds.
type view struct {
	Line       string               `json:"line"`
	Armed      bool                 `json:"armed"`
	Connected  bool                 `json:"connected"`
	Ended      bool                 `json:"ended"`
	Again      *time.Time           `json:"again,omitempty"` // when a line that has ended is opened again by itself
	Error      string               `json:"error,omitempty"`
	State      string               `json:"state"`
	Reason     string               `json:"reason,omitempty"`
	Session    *handshake.Session   `json:"session,omitempty"`
	Config     handshake.ConfigHash `json:"config_hash"`
	HoldAll    bool                 `json:"hold_all"`
	Request    *request             `json:"request,omitempty"` // absent until one was read
	Open       string               `json:"open_offer,omitempty"`
	CycleTime  float64              `json:"request_to_verdict_s,omitempty"`
	Conditions []string             `json:"conditions"`
	Counts     []count              `json:"counts"`
	At         time.Time            `json:"at"`
}

type request struct {
	Age         float64 `json:"age_s"`
	Roll        uint32  `json:"roll_no"`
	Tag         string  `json:"roll"`
	Phase       string  `json:"phase"`
	Permissives uint32  `json:"permissives"`
	Produced    uint32  `json:"outcomes_produced"`
	Acked       uint32  `json:"outcomes_acknowledged"`
	Journaled   uint32  `json:"outcomes_journaled"`
	Stale       uint32  `json:"stale_commits"`
}

type count struct {
	Key string `json:"key"`
	N   uint64 `json:"n"`
}

func viewOf(l *Line) view {
	m := &l.Machine
	v := view{
		Line: l.Name, Armed: l.Armed, Connected: l.Connected, Ended: l.Ended, Error: l.Error,
		State: m.State.String(), Reason: m.Reason, Config: handshake.ConfigHash(m.Config), HoldAll: m.HoldAll,
		CycleTime: m.CycleTime.Seconds(), Conditions: []string{}, Counts: []count{}, At: l.At,
	}
	if !l.Again.IsZero() {
		v.Again = &l.Again
	}
	if m.Session != (handshake.Session{}) {
		s := m.Session
		v.Session = &s
	}
	if m.Seen {
		v.Request = &request{
			Age: m.Age.Seconds(), Roll: m.Roll, Tag: m.Tag, Phase: m.Phase.String(), Permissives: m.Permissives,
			Produced: m.Produced, Acked: m.Acked, Journaled: m.Journaled, Stale: m.StaleCommits,
		}
	}
	if m.Open != nil {
		v.Open = m.Open.String()
	}
	v.Conditions = append(v.Conditions, m.Conditions...)
	for _, c := range m.Counts {
		v.Counts = append(v.Counts, count{c.Key, c.N})
	}
	return v
}
