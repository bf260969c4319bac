package recipe

import (
	"fmt"

	"lapgate/recipe/wording"
)

// Station names a group of setpoints that a line may lack; its number is its
// bit among the groups in force of the payload.
type Station uint8

// The groups of setpoints.
const (
	GroupStand Station = iota
	GroupWrap
	GroupCrimp
	GroupGlue
	GroupHeader
	GroupWeigh
	GroupCentre
	GroupDrives
)

// Groups is the set of groups in force.
type Groups uint16

// Has reports whether a group is in force.
func (g Groups) Has(s Station) bool { return g>>s&1 == 1 }

// Setpoints are what the line is told, SI but for temperatures in °C. A field
// of a group that is not in force is zero.
type Setpoints struct {
	Groups Groups

	Slot         int
	WrapperWidth float64
	Overhang     float64 // each side

	Layers     float64
	FeedLength float64
	FeedCounts int64
	Overlap    float64
	WrapTime   float64
	WrapSpeed  float64

	TurningHz float64 // while wrapping
	FeedHz    float64

	CrimpTurns      float64
	CrimpTime       float64
	CrimpTurningHz  float64
	CrimperHz       float64
	CrimperPressure float64 // Pa

	RollCentreHeight float64
	CrimperPosition  float64
	PlatenStroke     float64
	ContactPressure  float64 // Pa

	HeaderTemperature  float64 // °C
	HeaderDwell        float64 // at the design point
	HeaderDwellNominal float64 // with every property at its value
	HeaderDwellFast    float64 // with the bond line insulated behind, at the setpoint

	// The press may close while the cooler platen is at CloseMin or above and
	// the hotter one at CloseMax or below, °C; 0 for an unheated press.
	CloseMin float64
	CloseMax float64

	InnerHead float64
	OuterHead float64

	VacuumZones    uint16
	GlueMass       float64
	Gross          float64
	Tare           float64
	ScaleTolerance float64
	CentringOffset float64
}

// Press is what the quality of a bond rests on.
type Press struct{ Temperature, Dwell, CloseMin, CloseMax, Contact float64 }

// Press is what the setpoints tell the press.
func (s *Setpoints) Press() Press {
	return Press{s.HeaderTemperature, s.HeaderDwell, s.CloseMin, s.CloseMax, s.ContactPressure}
}

// Uncertainty is the standard uncertainty of the setpoints that have one.
type Uncertainty struct {
	Overhang, FeedLength, Dwell, Gross float64
	CrimpTime, CentreHeight            float64
}

// Recipe is the outcome of Compute for one roll. It is a plain value without
// pointers, so that a caller can reuse one without allocation.
type Recipe struct {
	Setpoints   Setpoints
	Uncertainty Uncertainty
	Risk        Risk
	// Designed is the press as its dwell was designed; an override changes the
	// setpoints and not this.
	Designed Press
	// Problems are what kept Compute from a setpoint, the first N in order.
	// Package check turns them into findings.
	Problems [12]Problem
	N        int
}

// Code names a kind of finding. It is the same in log, JSON, journal, metrics
// and on the operator's panel, and never changes its meaning.
type Code string

// Problem is why Compute could not give a setpoint.
type Problem struct {
	Code  Code
	Got   float64
	Want  float64
	Index int // of the slot, size or other choice it is about; -1 none
}

// Severity of a finding.
type Severity uint8

// Severities: a hold keeps the recipe from the controller.
const (
	Warn Severity = iota
	Hold
)

func (s Severity) String() string {
	if s == Hold {
		return "hold"
	}
	return "warn"
}

// MarshalText writes the severity as warn or hold.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (s *Severity) UnmarshalText(text []byte) error {
	switch string(text) {
	case "warn":
		*s = Warn
	case "hold":
		*s = Hold
	default:
		return fmt.Errorf("recipe: severity %q is neither warn nor hold", text)
	}
	return nil
}

// Finding is what a check has to say about a recipe. Text is a plain sentence
// with the remedy; Where is the origin of the limit in the configuration.
type Finding struct {
	Code     Code     `json:"code"`
	Severity Severity `json:"severity"`
	Field    string   `json:"field"`
	Got      string   `json:"got"`
	Limit    string   `json:"limit"`
	Where    string   `json:"where,omitempty"`
	Text     string   `json:"text"` // in English
	// Said is the text free of any language, nil in what older versions recorded.
	Said *wording.Said `json:"said,omitempty"`
}

// Saying is the finding with what it says.
func (f Finding) Saying(said wording.Said) Finding {
	f.Text, f.Said = said.String(), &said
	return f
}

// Same reports whether two findings are the same, whether or not both were recorded
// with what they say free of any language.
func (f Finding) Same(o Finding) bool {
	f.Said, o.Said = nil, nil
	return f == o
}

// Told is what the finding says.
func (f *Finding) Told() wording.Said {
	if f.Said == nil {
		return wording.Plain(f.Text)
	}
	return *f.Said
}

// Held reports whether findings keep a recipe from the controller. One with
// warnings alone may go.
func Held(findings []Finding) bool {
	for i := range findings {
		if findings[i].Severity == Hold {
			return true
		}
	}
	return false
}

// Has reports whether a problem of that code came up.
func (r *Recipe) Has(code Code) bool {
	for i := range r.Problems[:r.N] {
		if r.Problems[i].Code == code {
			return true
		}
	}
	return false
}
