package status

import (
	"time"

	"lapgate/gateway/handshake"
)

// Config is what is known of the configuration in force.
type Config struct {
	File string
	Hash uint32
	At   time.Time // when it was put in force, zero for at start
	By   string    // who did
	// Refused is the newest configuration that was refused since, nil for none.
	Refused *Refusal
}

// Refusal is a configuration that was not put in force.
type Refusal struct {
	At    time.Time `json:"at"`
	By    string    `json:"by"`
	Error string    `json:"error"`
}

// configView is a Config as JSON shows it.
type configView struct {
	File    string               `json:"file"`
	Hash    handshake.ConfigHash `json:"hash"`
	At      *time.Time           `json:"reloaded_at,omitempty"`
	By      string               `json:"reloaded_by,omitempty"`
	Refused *Refusal             `json:"refused,omitempty"`
}

// configuration is what the pages show, nil where nobody tells.
func (s Source) configuration() *configView {
	if s.Config == nil {
		return nil
	}
	c := s.Config()
	v := &configView{File: c.File, Hash: handshake.ConfigHash(c.Hash), By: c.By, Refused: c.Refused}
	if !c.At.IsZero() {
		v.At = &c.At
	}
	return v
}

// Reloaded counts an attempt to put another configuration in force.
func (m *Metrics) Reloaded(ok bool) {
	if m == nil {
		return
	}
	word := "refused"
	if ok {
		word = "done"
	}
	m.reloads.WithLabelValues(word).Inc()
	m.accepted.Set(oneIf(ok))
}
