package notice

import "slices"

// Code names a kind of fault. It never changes its meaning.
type Code string

// The codes.
const (
	PlatenCold      Code = "platen-cold"
	FeedCounts      Code = "feed-counts"
	ScaleOff        Code = "scale-off"
	WrapperWeight   Code = "wrapper-weight"
	ScannerPosition Code = "scanner-position"
	ScannerBlind    Code = "scanner-blind"
	OverhangOff     Code = "overhang-off"
	PressureLow     Code = "press-pressure-low"
	CaliperOff      Code = "caliper-off"
)

// CodeInfo is one row of the table of codes.
type CodeInfo struct {
	Code    Code
	Meaning string
	Remedy  string
}

var codes = [...]CodeInfo{
	{PlatenCold, "The platens are below their setpoint at one request after the other.",
		"Check the heaters and their supply, let the platens recover between rolls; a sensor that reads low looks the same. Beware of the hot platens."},
	{FeedCounts, "The wrapper drawn by the encoder is not what the turns of the roll and its overlap take.",
		"Look at the feed roll: dust lets it slip, wear makes it smaller, glue larger; where one slot alone shows it, its wrapper slides: compare the label. Then calibrate the slip. Isolate the drive before reaching in."},
	{ScaleOff, "The scale reads otherwise than predicted, whatever the slot.",
		"Check the zero of the scale with nothing on it, then the densities of the grades and the masses of the cores."},
	{WrapperWeight, "Rolls wrapped from one slot weigh as if another wrapper hung there.",
		"Compare the label of the wrapper roll in the slot with the configuration."},
	{ScannerPosition, "One position of the scanner reads otherwise than its neighbours, roll after roll.",
		"Clean the sensor at that position, then check its zero; a ridge that every roll has there looks the same."},
	{ScannerBlind, "One position of the scanner loses readings, roll after roll.",
		"Clean the sensor at that position and check its cable."},
	{OverhangOff, "The measured overhang is not the expected one, roll after roll.",
		"Measure the width of the wrapper in the slot and compare it with the configuration; where every slot shows it, check the centring."},
	{PressureLow, "The measured pressure of the press is below its setpoint, roll after roll.",
		"Check pump, relief valve and oil of the hydraulic unit; look at the ends of the rolls concerned for places without a bond. Relieve the pressure before any work on it."},
	{CaliperOff, "Diameter and consumption of a wrapper roll do not fit its wound caliper.",
		"Compare the label of the wrapper roll with the configuration, then calibrate the caliper; where every slot shows it, check the feed counts."},
}

// Codes are all codes with their meaning and what to do.
func Codes() []CodeInfo { return slices.Clone(codes[:]) }

// Info is the row of the code. It panics for a code that is none.
func (c Code) Info() CodeInfo {
	i := slices.IndexFunc(codes[:], func(r CodeInfo) bool { return r.Code == c })
	return codes[i]
}
