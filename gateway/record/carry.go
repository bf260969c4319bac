package record

import (
	"maps"
	"slices"

	"lapgate/gateway/handshake"
)

type (
	// Carry stands at the beginning of a journal that goes on from an archive: all
	// that the records before tell and that still counts, so that the line can be
	// served on from this file alone.
	Carry struct {
		Past     Carried   `json:"past"`
		Accounts []Account `json:"accounts,omitempty"` // of the wrapper rolls
		Mode     *Mode     `json:"mode,omitempty"`     // the newest; nil where there was none
		Alarms   []Alarm   `json:"alarms,omitempty"`   // changes that bring about the alarms that are not normal
		Config   *Config   `json:"config,omitempty"`   // the newest, with text and all values; nil where there was none
		// Published is the newest; nil where nothing is sent onward.
		Published *Published `json:"published,omitempty"`
		// Asked tells that a person armed or held the line in the records before, Rolls
		// how many rolls got a recipe since a person armed it, and Roll the newest of them.
		Asked bool   `json:"asked,omitempty"`
		Rolls int    `json:"rolls,omitempty"`
		Roll  uint32 `json:"roll,omitempty"`
	}
	// Account is what was drawn from the wrapper roll of one slot.
	Account struct {
		Slot  int      `json:"slot"`
		Hung  HungRoll `json:"hung"`
		Outer float64  `json:"outer_m"` // when the account began
		Drawn float64  `json:"drawn_m"` // since
		Last  float64  `json:"last_m"`  // newest outer diameter that was reported
	}
	// Carried is a Past as it is stored.
	Carried struct {
		Epoch      uint32          `json:"epoch"`
		Floor      uint32          `json:"floor"`
		Boot       uint32          `json:"boot"`
		Boots      []uint32        `json:"boots,omitempty"`
		Banned     []uint32        `json:"banned,omitempty"`
		Losses     uint32          `json:"losses,omitempty"`
		LostBoot   uint32          `json:"lost_boot,omitempty"`
		Outcomes   uint32          `json:"outcomes"`
		Held       uint32          `json:"held,omitempty"`
		Covered    uint32          `json:"covered"`
		Finished   uint32          `json:"finished"`
		Request    Request         `json:"request"`
		Earlier    Request         `json:"earlier"`
		Shadow     handshake.Token `json:"shadow,omitzero"`
		Accepted   *Offer          `json:"accepted,omitempty"`
		Verdict    *Verdict        `json:"verdict,omitempty"`
		HoldAll    bool            `json:"hold_all,omitempty"`
		Doubts     []string        `json:"doubts,omitempty"`
		Acts       Acts            `json:"acts,omitzero"`
		Rejected   handshake.Token `json:"rejected,omitzero"`
		Rejections []uint16        `json:"rejections,omitempty"`
		Confirmed  handshake.Token `json:"confirmed,omitzero"`
		Confirms   []Confirm       `json:"confirms,omitempty"`
		Unused     []UnusedOffer   `json:"unused,omitempty"`
	}
	// UnusedOffer is an offer that ended without being accepted, and how.
	UnusedOffer struct {
		Name OfferName `json:"name"`
		How  string    `json:"how"`
	}
)

// Kind returns KindCarry.
func (Carry) Kind() Kind { return KindCarry }

// RollNo returns 0: the record is about no single roll.
func (Carry) RollNo() uint32 { return 0 }

// Carried is the past as it is stored. It must not be asked for while an offer is
// open, for an offer ends in the file in which it began.
func (p *Past) Carried() Carried {
	return Carried{
		Epoch: p.Epoch, Floor: p.Floor, Boot: p.Boot, Boots: slices.Sorted(maps.Keys(p.Boots)), Banned: slices.Sorted(maps.Keys(p.Banned)),
		Losses: p.Losses, LostBoot: p.LostBoot, Outcomes: p.Outcomes, Held: p.Held, Covered: p.Covered, Finished: p.Finished,
		Request: p.Request, Earlier: p.earlier, Shadow: p.Shadow, Accepted: p.Accepted, Verdict: p.Verdict,
		HoldAll: p.HoldAll, Doubts: p.Doubts, Acts: p.Acts,
		Rejected: p.rejected, Rejections: p.rejections, Confirmed: p.confirmed, Confirms: p.confirms, Unused: p.unused,
	}
}

// Restored is the past that was carried over.
func (c *Carried) Restored() Past {
	p := NewPast()
	for _, b := range c.Boots {
		p.Boots[b] = true
	}
	for _, b := range c.Banned {
		p.Banned[b] = true
	}
	p.Epoch, p.Floor, p.Boot, p.Losses, p.LostBoot = c.Epoch, c.Floor, c.Boot, c.Losses, c.LostBoot
	p.Outcomes, p.Held, p.Covered, p.Finished = c.Outcomes, c.Held, c.Covered, c.Finished
	p.Request, p.earlier, p.Shadow, p.Accepted, p.Verdict = c.Request, c.Earlier, c.Shadow, c.Accepted, c.Verdict
	p.HoldAll, p.Doubts, p.Acts = c.HoldAll, c.Doubts, c.Acts
	p.rejected, p.rejections, p.confirmed, p.confirms, p.unused = c.Rejected, c.Rejections, c.Confirmed, c.Confirms, c.Unused
	return p
}
