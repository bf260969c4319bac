package status

import (
	"strings"
	"time"

	"lapgate/recipe/wording"
)

// EngineWords says how far the journal has arrived in the engine, and those of other
// machines; it is empty without an engine.
func (v *LineView) EngineWords(w *wording.Words, zone *time.Location) string {
	e := v.Engine
	if e == nil {
		return ""
	}
	since := day(w, e.Since.In(zone), v.At)
	var out []string
	switch {
	case e.Error != "" && !e.Since.IsZero():
		out = append(out, "▲ "+w.Of("page.engine.stuck", "count", e.Backlog, "since", since, "why", e.Error))
	case e.Error != "":
		out = append(out, "▲ "+w.Of("page.engine.away", "why", e.Error))
	case !e.Known:
		out = append(out, w.Of("page.engine.none", "count", e.Backlog))
	default:
		out = append(out, w.Of("page.engine", "number", e.Record, "count", e.Backlog))
	}
	for i := range e.Others {
		out = append(out, w.Of("page.engine.other", "name", e.Others[i].Machine, "number", e.Others[i].Record))
	}
	return strings.Join(out, "; ")
}
