package record

import (
	"encoding/hex"
	"math"
	"slices"
	"strconv"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// number is one number of a measurement, with the name under which NotFinite
// lists it.
type number struct {
	name string
	at   *float64
}

// numbers lists the numbers of a measurement that a view may fail to give.
func numbers(r *recipe.Roll, s *recipe.Stand) []number {
	list := []number{
		{"diameter_m", &r.Diameter}, {"diameter_u_m", &r.DiameterU}, {"diameter_min_m", &r.DiameterMin}, {"diameter_max_m", &r.DiameterMax},
		{"ovality", &r.Ovality}, {"taper_m", &r.Taper}, {"width_m", &r.Width}, {"width_u_m", &r.WidthU},
		{"width_min_m", &r.WidthMin}, {"width_max_m", &r.WidthMax}, {"width_median_m", &r.WidthMedian}, {"width_spread_m", &r.WidthSpread}, {"quality", &r.Quality},
		{"age_s", &r.Age}, {"known_weight_kg", &r.KnownWeight}, {"platen_c", &s.Platen}, {"platen_hot_c", &s.PlatenHot},
	}
	for i := range s.Outer {
		list = append(list, number{"outer_" + strconv.Itoa(i+1) + "_m", &s.Outer[i]})
	}
	return list
}

// SetMeasurement stores what was measured of a roll and its stand. A number
// that is not finite is stored as 0 and named in NotFinite.
func (r *Request) SetMeasurement(roll recipe.Roll, stand recipe.Stand) {
	r.Measured, r.Stand, r.NotFinite = roll, stand, nil
	for _, n := range numbers(&r.Measured, &r.Stand) {
		if math.IsNaN(*n.at) || math.IsInf(*n.at, 0) {
			*n.at = 0
			r.NotFinite = append(r.NotFinite, n.name)
		}
	}
}

// SetTag stores the tag of the roll: as text for people, and its bytes where the
// text does not tell them.
func (r *Request) SetTag(t handshake.Tag) {
	r.Measured.Tag, r.TagHex = t.String(), ""
	if r.Measured.Tag != string(t) {
		r.TagHex = hex.EncodeToString([]byte(t))
	}
}

// Tag is the tag of the roll as it stands in the registers.
func (r *Request) Tag() handshake.Tag {
	if b, err := hex.DecodeString(r.TagHex); err == nil && len(b) > 0 {
		return handshake.Tag(b)
	}
	return handshake.Tag(r.Measured.Tag)
}

// Measurement returns what was measured, for a decision. A number that was not
// finite is NaN, so that no check passes it.
func (r *Request) Measurement() (recipe.Roll, recipe.Stand) {
	roll, stand := r.Measured, r.Stand
	if len(r.NotFinite) > 0 {
		for _, n := range numbers(&roll, &stand) {
			if slices.Contains(r.NotFinite, n.name) {
				*n.at = math.NaN()
			}
		}
	}
	return roll, stand
}
