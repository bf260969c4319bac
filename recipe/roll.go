package recipe

import "lapgate/recipe/reel"

// Roll is one measured roll at the station: what package scan made of the
// samples, with its order where there is one. SI throughout.
type Roll struct {
	Number uint32 `json:"roll_no,omitempty"` // the controller's number; 0 offline
	Tag    string `json:"roll"`

	Diameter     float64 `json:"diameter_m"`               // robust mean
	DiameterU    float64 `json:"diameter_u_m"`             // its standard uncertainty
	DiameterMin  float64 `json:"diameter_min_m,omitempty"` // robust minimum; 0 for what the ovality makes it
	DiameterMax  float64 `json:"diameter_max_m"`           // robust maximum; 0 for what the ovality makes it
	Ovality      float64 `json:"ovality"`                  // (max − min)/mean
	Taper        float64 `json:"taper_m"`                  // diameter at the right end less that at the left one
	Width        float64 `json:"width_m"`                  // robust mean
	WidthU       float64 `json:"width_u_m"`                // its standard uncertainty
	WidthMin     float64 `json:"width_min_m,omitempty"`    // robust minimum; 0 for what the spread makes it
	WidthMax     float64 `json:"width_max_m,omitempty"`    // robust maximum; 0 for what the spread makes it
	WidthMedian  float64 `json:"width_median_m"`           // for identity
	WidthSpread  float64 `json:"width_spread_m"`           // largest less smallest sample
	Quality      float64 `json:"quality"`                  // 0 to 1
	Age          float64 `json:"age_s"`                    // of the scan
	KnownWeight  float64 `json:"known_weight_kg,omitempty"`
	Grade        int     `json:"grade,omitempty"` // code, 0 none
	Core         int     `json:"core,omitempty"`  // code, 0 none
	Spec         string  `json:"spec,omitempty"`  // overrides the grade's
	Order        *Order  `json:"order,omitempty"`
	DiameterN    int     `json:"diameter_samples,omitempty"`
	WidthN       int     `json:"width_samples,omitempty"`
	MeasuredFrom string  `json:"measured_from,omitempty"` // controller, scanner

	SamplesRejected int  `json:"samples_rejected,omitempty"` // absurd or outlying
	SamplesDiffer   bool `json:"samples_differ,omitempty"`   // from the controller's own value

	Readings     Readings `json:"readings,omitzero"`       // of a line with a scanner
	OrderMissing bool     `json:"order_missing,omitempty"` // the line has orders, and none for the roll
}

// Readings is what became of a scanner's readings at a roll. Each text says why
// a reading was not used, and is empty when there was none such.
type Readings struct {
	Missing  bool   `json:"missing,omitempty"`   // no reading is of the roll
	NoRoll   string `json:"no_roll,omitempty"`   // it fits no roll; the latest since the roll before
	TwoRolls string `json:"two_rolls,omitempty"` // it fits this roll and another
	Differ   string `json:"differ,omitempty"`    // it contradicts an earlier one of the roll
}

// Order is what the mill ordered under a roll's identity.
type Order struct {
	ID          string  `json:"id"`
	Grade       int     `json:"grade,omitempty"`
	Density     float64 `json:"density_kg_m3,omitempty"`
	Width       float64 `json:"width_m,omitempty"`
	Diameter    float64 `json:"diameter_m,omitempty"`
	Spec        string  `json:"spec,omitempty"`
	Destination string  `json:"destination,omitempty"`
}

// Stand is the live state of the overhead stand and the interlocks, as the
// controller reports it with a request. Index 0 is slot 1.
type Stand struct {
	Ready     [6]bool    `json:"ready"`
	Outer     [6]float64 `json:"outer_m"` // outer diameter, 0 unknown
	Confirmed int        `json:"confirmed,omitempty"`
	// Counted is the wrapper left by consumption, where somebody counts it.
	Counted [6]reel.Estimate `json:"counted,omitzero"`

	Permissives uint32 `json:"permissives"`
	// Offline is set where no controller stands behind the stand: a platen that
	// is not given is then taken to be at its setpoint.
	Offline   bool    `json:"offline,omitempty"`
	Platen    float64 `json:"platen_c"`               // temperature of the cooler platen, 0 not measured
	PlatenHot float64 `json:"platen_hot_c,omitempty"` // of the hotter one, 0 not measured
	// PlatenRate is how fast the cooler platen was seen to change, K/s; 0 where
	// that is not known. It follows from the requests before.
	PlatenRate float64 `json:"-"`
	Mode       int     `json:"mode"`  // ISA-TR88 number
	State      int     `json:"state"` // ISA-TR88 number
}
