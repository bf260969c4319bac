package engine

import (
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// columns are what the engine finds a record by beside its number. They repeat the body;
// an empty one is NULL there.
type columns struct{ tag, verdict, reason string }

// columnsOf takes the columns out of a record.
func columnsOf(r record.Record) (c columns) {
	switch r := r.(type) {
	case record.Request:
		c.tag = r.Measured.Tag
	case record.Shadow:
		c.tag = r.Tag
	case record.Intent:
		c.tag = r.Tag
		if r.Form == handshake.KindHold {
			c.reason = handshake.Spelled(r.HoldReason.String())
		}
	case record.Verdict:
		c.verdict = handshake.Spelled(r.Verdict.String())
		if r.Verdict == handshake.Rejected {
			c.reason = handshake.Spelled(handshake.RejectReason(r.Reason).String())
		}
	}
	c.tag = searched(c.tag)
	return c
}

// searched is a text as the engine can hold it for searching: a NUL, which text of the
// engine cannot have, is shown as what cannot be shown.
func searched(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}
