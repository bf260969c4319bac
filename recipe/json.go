package recipe

import "strconv"

// Result is a recipe with what the checks say about it, as people and other
// programs get it in JSON. Setpoints are SI with the unit in the key and
// temperatures in °C; a key is absent when its group is not in force.
type Result struct {
	Roll        string            `json:"roll"`
	Verdict     string            `json:"verdict"` // go or hold
	Findings    []Finding         `json:"findings"`
	Setpoints   ResultSetpoints   `json:"setpoints"`
	Uncertainty ResultUncertainty `json:"uncertainty"`
	// Instructions are for the operator of a line with manual stations; see
	// Instructions.
	Instructions []string `json:"instructions,omitempty"`
}

// ResultSetpoints are the setpoints of a Result, nil where not in force.
type ResultSetpoints struct {
	WrapperSlot       *int     `json:"wrapper_slot,omitempty"`
	WrapperWidth      *float64 `json:"wrapper_width_m,omitempty"`
	Overhang          *float64 `json:"overhang_m,omitempty"`
	Layers            *float64 `json:"layers,omitempty"`
	FeedLength        *float64 `json:"feed_length_m,omitempty"`
	FeedCounts        *int64   `json:"feed_counts,omitempty"`
	WrapTime          *float64 `json:"wrap_time_s,omitempty"`
	TurningHz         *float64 `json:"turning_hz,omitempty"`
	FeedHz            *float64 `json:"feed_hz,omitempty"`
	CrimpTurns        *float64 `json:"crimp_turns,omitempty"`
	CrimpTime         *float64 `json:"crimp_time_s,omitempty"`
	CrimperHz         *float64 `json:"crimper_hz,omitempty"`
	RollCentreHeight  *float64 `json:"roll_centre_height_m,omitempty"`
	PlatenStroke      *float64 `json:"platen_stroke_m,omitempty"`
	InnerHead         *float64 `json:"inner_head_m,omitempty"`
	OuterHead         *float64 `json:"outer_head_m,omitempty"`
	HeaderTemperature *float64 `json:"header_temperature_c,omitempty"`
	HeaderDwell       *float64 `json:"header_dwell_s,omitempty"`
	HeaderDwellFast   *float64 `json:"header_dwell_fast_s,omitempty"`
	GlueMass          *float64 `json:"glue_mass_kg,omitempty"`
	VacuumZones       *uint16  `json:"vacuum_zones,omitempty"`
	Tare              *float64 `json:"tare_kg,omitempty"`
	Gross             *float64 `json:"gross_kg,omitempty"`
}

// ResultUncertainty is the standard uncertainty by setpoint.
type ResultUncertainty struct {
	Overhang    *float64 `json:"overhang_m,omitempty"`
	FeedLength  *float64 `json:"feed_length_m,omitempty"`
	HeaderDwell *float64 `json:"header_dwell_s,omitempty"`
	Gross       *float64 `json:"gross_kg,omitempty"`
}

// NewResult puts a recipe and its findings together. The verdict is hold when
// a finding is.
func NewResult(roll *Roll, rec *Recipe, findings []Finding) Result {
	r := Result{Roll: roll.Tag, Verdict: "go", Findings: findings}
	if r.Roll == "" && roll.Number != 0 {
		r.Roll = strconv.FormatUint(uint64(roll.Number), 10)
	}
	if r.Findings == nil {
		r.Findings = []Finding{}
	}
	for _, f := range findings {
		if f.Severity == Hold {
			r.Verdict = "hold"
		}
	}
	s := rec.Setpoints
	g := s.Groups
	r.Setpoints = ResultSetpoints{
		WrapperSlot:       when(g.Has(GroupStand), s.Slot),
		WrapperWidth:      when(g.Has(GroupStand), s.WrapperWidth),
		Overhang:          when(g.Has(GroupStand), s.Overhang),
		Layers:            when(g.Has(GroupWrap), s.Layers),
		FeedLength:        when(g.Has(GroupWrap), s.FeedLength),
		FeedCounts:        when(g.Has(GroupWrap), s.FeedCounts),
		WrapTime:          when(g.Has(GroupWrap), s.WrapTime),
		TurningHz:         when(g.Has(GroupDrives) && s.TurningHz > 0, s.TurningHz),
		FeedHz:            when(g.Has(GroupDrives) && s.FeedHz > 0, s.FeedHz),
		CrimpTurns:        when(g.Has(GroupCrimp), s.CrimpTurns),
		CrimpTime:         when(g.Has(GroupCrimp), s.CrimpTime),
		CrimperHz:         when(g.Has(GroupDrives) && s.CrimperHz > 0, s.CrimperHz),
		RollCentreHeight:  when(g.Has(GroupCrimp), s.RollCentreHeight),
		PlatenStroke:      when(g.Has(GroupHeader), s.PlatenStroke),
		InnerHead:         when(s.InnerHead > 0, s.InnerHead),
		OuterHead:         when(s.OuterHead > 0, s.OuterHead),
		HeaderTemperature: when(g.Has(GroupHeader), s.HeaderTemperature),
		HeaderDwell:       when(g.Has(GroupHeader), s.HeaderDwell),
		HeaderDwellFast:   when(g.Has(GroupHeader), s.HeaderDwellFast),
		GlueMass:          when(g.Has(GroupGlue), s.GlueMass),
		VacuumZones:       when(s.VacuumZones > 0, s.VacuumZones),
		Tare:              when(g.Has(GroupWeigh), s.Tare),
		Gross:             when(g.Has(GroupWeigh), s.Gross),
	}
	u := rec.Uncertainty
	r.Uncertainty = ResultUncertainty{
		Overhang:    when(g.Has(GroupStand), u.Overhang),
		FeedLength:  when(g.Has(GroupWrap), u.FeedLength),
		HeaderDwell: when(g.Has(GroupHeader), u.Dwell),
		Gross:       when(g.Has(GroupWeigh), u.Gross),
	}
	return r
}

// when is v in force, or nil.
func when[T any](inForce bool, v T) *T {
	if !inForce {
		return nil
	}
	return &v
}
