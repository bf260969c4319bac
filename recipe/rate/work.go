package rate

import (
	"reflect"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Work is how long the people and the handling gear of a line take, beyond what the
// machine moves and heats. Times are those of the crew for one roll, both its ends
// together. Every default is judgement (J): no source has such times, and each line
// has its own, which a watch tells in an hour.
type Work struct {
	Load   float64 `cfg:"load" unit:"time" default:"15 s" range:"0 s..3600 s" doc:"from an empty station until the next roll lies on the turning rolls"`
	Scan   float64 `cfg:"scan" unit:"time" default:"5 s" range:"0 s..600 s" doc:"to scan diameter and width"`
	Answer float64 `cfg:"answer" unit:"time" default:"1 s" range:"0 s..600 s" doc:"from the scan until the controller has accepted the recipe"`
	Start  float64 `cfg:"start" unit:"time" default:"3 s" range:"0 s..600 s" doc:"until the operator presses start, which every roll needs"`
	Label  float64 `cfg:"label" unit:"time" default:"15 s" range:"0 s..3600 s" doc:"to strap, label and mark the roll"`
	Eject  float64 `cfg:"eject" unit:"time" default:"8 s" range:"0 s..3600 s" doc:"to send the roll out, until the sensor sees the station empty"`
	Change float64 `cfg:"wrapper_change" unit:"time" default:"8 min" range:"0 s..7200 s" doc:"that the line stands while a wrapper roll is changed that was used up"`

	CentringManual   float64 `cfg:"centring_manual" unit:"time" default:"20 s" range:"0 s..3600 s" doc:"to centre the roll by hand"`
	CentringSemi     float64 `cfg:"centring_semi" unit:"time" default:"10 s" range:"0 s..3600 s" doc:"to centre the roll with gear that the operator starts"`
	CentringAuto     float64 `cfg:"centring_auto" unit:"time" default:"5 s" range:"0 s..3600 s" doc:"to centre the roll with gear that starts by itself"`
	DrivesManual     float64 `cfg:"drives_manual" unit:"time" default:"15 s" range:"0 s..3600 s" doc:"to set the speeds of the drives for wrapping and for crimping by hand"`
	DrivesSemi       float64 `cfg:"drives_semi" unit:"time" default:"4 s" range:"0 s..3600 s" doc:"to start drives whose speeds are set"`
	DrivesAuto       float64 `cfg:"drives_auto" unit:"time" default:"0 s" range:"0 s..3600 s" doc:"that drives which start by themselves take besides the motion"`
	StandManual      float64 `cfg:"stand_manual" unit:"time" default:"25 s" range:"0 s..3600 s" doc:"to go to the slot, confirm it and lead the wrapper in by hand"`
	StandSemi        float64 `cfg:"stand_semi" unit:"time" default:"8 s" range:"0 s..3600 s" doc:"to start the stand, which then brings the wrapper"`
	StandAuto        float64 `cfg:"stand_auto" unit:"time" default:"3 s" range:"0 s..3600 s" doc:"that a stand takes which selects and brings the wrapper by itself"`
	VacuumManual     float64 `cfg:"vacuum_manual" unit:"time" default:"5 s" range:"0 s..3600 s" doc:"to open the vacuum zones by hand"`
	VacuumSemi       float64 `cfg:"vacuum_semi" unit:"time" default:"2 s" range:"0 s..3600 s" doc:"to start the vacuum in zones that are set"`
	VacuumAuto       float64 `cfg:"vacuum_auto" unit:"time" default:"0 s" range:"0 s..3600 s" doc:"that vacuum zones take which open by themselves"`
	InnerHeadsManual float64 `cfg:"inner_heads_manual" unit:"time" default:"30 s" range:"0 s..3600 s" doc:"to fetch both inner heads and place them by hand"`
	InnerHeadsSemi   float64 `cfg:"inner_heads_semi" unit:"time" default:"18 s" range:"0 s..3600 s" doc:"to place both inner heads with an arm that the operator starts"`
	InnerHeadsAuto   float64 `cfg:"inner_heads_auto" unit:"time" default:"10 s" range:"0 s..3600 s" doc:"that arms take which place both inner heads by themselves"`
	WrapManual       float64 `cfg:"wrap_manual" unit:"time" default:"25 s" range:"0 s..3600 s" doc:"to lead, cut and stick the wrapper by hand, besides the winding"`
	WrapSemi         float64 `cfg:"wrap_semi" unit:"time" default:"10 s" range:"0 s..3600 s" doc:"to start feeding, cutting and sticking, besides the winding"`
	WrapAuto         float64 `cfg:"wrap_auto" unit:"time" default:"4 s" range:"0 s..3600 s" doc:"that cutting and sticking take which start by themselves"`
	CrimpManual      float64 `cfg:"crimp_manual" unit:"time" default:"30 s" range:"0 s..3600 s" doc:"to fold both overhangs in by hand, besides the turning"`
	CrimpSemi        float64 `cfg:"crimp_semi" unit:"time" default:"6 s" range:"0 s..3600 s" doc:"to start crimpers that are set"`
	CrimpAuto        float64 `cfg:"crimp_auto" unit:"time" default:"0 s" range:"0 s..3600 s" doc:"that crimpers take which start by themselves, besides their cycle"`
	GlueManual       float64 `cfg:"glue_manual" unit:"time" default:"40 s" range:"0 s..3600 s" doc:"to lay the edge glue of both ends by hand, on rolls with a glued head"`
	GlueSemi         float64 `cfg:"glue_semi" unit:"time" default:"15 s" range:"0 s..3600 s" doc:"to lay the edge glue with nozzles that the operator starts"`
	GlueAuto         float64 `cfg:"glue_auto" unit:"time" default:"6 s" range:"0 s..3600 s" doc:"that nozzles take which start by themselves"`
	OuterHeadsManual float64 `cfg:"outer_heads_manual" unit:"time" default:"30 s" range:"0 s..3600 s" doc:"to fetch both outer heads and place them by hand"`
	OuterHeadsSemi   float64 `cfg:"outer_heads_semi" unit:"time" default:"18 s" range:"0 s..3600 s" doc:"to place both outer heads with an arm that the operator starts"`
	OuterHeadsAuto   float64 `cfg:"outer_heads_auto" unit:"time" default:"10 s" range:"0 s..3600 s" doc:"that arms take which place both outer heads by themselves"`
	HeaderManual     float64 `cfg:"header_manual" unit:"time" default:"25 s" range:"0 s..3600 s" doc:"to bring the platens to the roll and back by hand, besides the dwell"`
	HeaderSemi       float64 `cfg:"header_semi" unit:"time" default:"10 s" range:"0 s..3600 s" doc:"to start platens that are set and let them open, besides the dwell"`
	HeaderAuto       float64 `cfg:"header_auto" unit:"time" default:"6 s" range:"0 s..3600 s" doc:"that platens take to close and open by themselves, besides the dwell"`
	ScaleManual      float64 `cfg:"scale_manual" unit:"time" default:"20 s" range:"0 s..3600 s" doc:"to weigh the roll and write its mass down by hand"`
	ScaleSemi        float64 `cfg:"scale_semi" unit:"time" default:"8 s" range:"0 s..3600 s" doc:"to start a weighing"`
	ScaleAuto        float64 `cfg:"scale_auto" unit:"time" default:"4 s" range:"0 s..3600 s" doc:"that a scale takes which weighs by itself"`

	WrapSpeed  float64 `cfg:"hand_wrap_speed" unit:"speed" default:"300 mm/s" range:"10 mm/s..5 m/s" doc:"surface speed of the roll while it is wrapped by hand"`
	CrimpSpeed float64 `cfg:"hand_crimp_speed" unit:"speed" default:"150 mm/s" range:"10 mm/s..5 m/s" doc:"surface speed of the roll while its overhang is folded in by hand"`
}

// need is what a roll must have for a step to be done.
type need uint8

const (
	always need = iota
	withGlue
	withInnerHead
	withOuterHead
	needs
)

// step is one step of the work at a line, in its order.
type step struct {
	station string // by its key in the equipment, or the name of a step that every line has
	need    need
	hands   func(w *Work) byMode
}

// byMode are times by the mode of a station, s.
type byMode [recipe.Auto + 1]float64

func worked(manual, semi, auto float64) byMode {
	return byMode{recipe.Manual: manual, recipe.Semi: semi, recipe.Auto: auto}
}

// same is the time of a step that every line has, whatever it is worked with.
func same(seconds float64) byMode { return byMode{seconds, seconds, seconds, seconds} }

// The steps that are no station of the equipment.
const (
	load   = "load"
	scan   = "scan"
	answer = "answer"
	start  = "start"
	label  = "label"
	eject  = "eject"
)

// steps are the work at a line, in its order.
var steps = []step{
	{load, always, func(w *Work) byMode { return same(w.Load) }},
	{"centring", always, func(w *Work) byMode { return worked(w.CentringManual, w.CentringSemi, w.CentringAuto) }},
	{scan, always, func(w *Work) byMode { return same(w.Scan) }},
	{answer, always, func(w *Work) byMode { return same(w.Answer) }},
	{start, always, func(w *Work) byMode { return same(w.Start) }},
	{"drives", always, func(w *Work) byMode { return worked(w.DrivesManual, w.DrivesSemi, w.DrivesAuto) }},
	{"stand", always, func(w *Work) byMode { return worked(w.StandManual, w.StandSemi, w.StandAuto) }},
	{"vacuum", always, func(w *Work) byMode { return worked(w.VacuumManual, w.VacuumSemi, w.VacuumAuto) }},
	{"heads", withInnerHead, func(w *Work) byMode { return worked(w.InnerHeadsManual, w.InnerHeadsSemi, w.InnerHeadsAuto) }},
	{"wrap", always, func(w *Work) byMode { return worked(w.WrapManual, w.WrapSemi, w.WrapAuto) }},
	{"crimp", always, func(w *Work) byMode { return worked(w.CrimpManual, w.CrimpSemi, w.CrimpAuto) }},
	{"glue", withGlue, func(w *Work) byMode { return worked(w.GlueManual, w.GlueSemi, w.GlueAuto) }},
	{"heads", withOuterHead, func(w *Work) byMode { return worked(w.OuterHeadsManual, w.OuterHeadsSemi, w.OuterHeadsAuto) }},
	{"header", withOuterHead, func(w *Work) byMode { return worked(w.HeaderManual, w.HeaderSemi, w.HeaderAuto) }},
	{"scale", always, func(w *Work) byMode { return worked(w.ScaleManual, w.ScaleSemi, w.ScaleAuto) }},
	{label, always, func(w *Work) byMode { return same(w.Label) }},
	{eject, always, func(w *Work) byMode { return same(w.Eject) }},
}

// working is how a step is worked; own is set for a step that every line has, which
// then counts as automatic.
type working struct {
	mode recipe.Mode
	own  bool
}

// workingOf is how each step is worked on a line with some equipment.
func workingOf(e *recipe.Equipment) []working {
	out := make([]working, len(steps))
	for i := range steps {
		out[i] = working{recipe.Auto, true}
		if m := e.Mode(steps[i].station); m != nil {
			out[i] = working{mode: *m}
		}
	}
	return out
}

// Assumption is one setting that a rate rests on.
type Assumption struct {
	Key   string         `json:"key"`
	Value string         `json:"value"`
	Where string         `json:"where"` // its place in the configuration, or default
	Means wording.Phrase `json:"meaning"`
}

// Where a setting stands that nobody set: Judged, where its default is judgement.
const (
	Default = "default"
	Judged  = "default, judgement"
)

// Assumptions lists the settings of a line's work that count for its equipment, as
// people read them, and where each comes from.
func Assumptions(line *recipe.Line, w *Work) []Assumption {
	var out []Assumption
	v := reflect.ValueOf(w).Elem()
	for f, at := range v.Fields() {
		key := f.Tag.Get("cfg")
		if !counts(&line.Equipment, key) {
			continue
		}
		a := Assumption{Key: "work." + key, Value: line.Write(at.Float(), quantity.Dimension(f.Tag.Get("unit"))), Where: Judged, Means: wording.Phrase{Said: wording.Say("work." + strings.ReplaceAll(key, "_", "-"))}}
		if place := line.Origins.Of(a.Key); place != "" && place != Default {
			a.Where = place
		}
		out = append(out, a)
	}
	return out
}

// counts reports whether a setting is about a way in which the line is worked: one of
// its own, or that of a station in the mode that it has.
func counts(e *recipe.Equipment, key string) bool {
	switch key {
	case "hand_wrap_speed":
		return e.Wrap == recipe.Manual
	case "hand_crimp_speed":
		return e.Crimp == recipe.Manual
	}
	for i, at := range workingOf(e) {
		if at.own {
			continue
		}
		station := steps[i].station
		for _, prefix := range []string{station, "inner_" + station, "outer_" + station} {
			for k, word := range recipe.Modes() {
				if key == prefix+"_"+word {
					return recipe.Mode(k) == at.mode
				}
			}
		}
	}
	return true
}
