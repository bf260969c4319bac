package notice

import (
	"slices"

	"lapgate/recipe/wording"
)

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

// codes are all of them, in the order in which they are told.
var codes = [...]Code{
	PlatenCold,
	FeedCounts,
	ScaleOff,
	WrapperWeight,
	ScannerPosition,
	ScannerBlind,
	OverhangOff,
	PressureLow,
	CaliperOff,
}

// Codes are all codes.
func Codes() []Code { return slices.Clone(codes[:]) }

// Meaning is what the code says in a sentence.
func (c Code) Meaning() wording.Said { return wording.Say("notice." + string(c)) }

// Remedy is what to do about it.
func (c Code) Remedy() wording.Said { return wording.Say("notice." + string(c) + ".do") }
