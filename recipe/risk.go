package recipe

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"lapgate/recipe/wording"
)

// RiskKind is a kind of bad wrap.
type RiskKind uint8

// The kinds of bad wrap.
const (
	RiskSheet    RiskKind = iota // the wrapper does not go around often enough, or runs out
	RiskCore                     // the fold reaches the core
	RiskOverhang                 // the overhang is outside the window of the specification
	RiskLap                      // the fold does not reach far enough under the outer head
	RiskHead                     // the outer head stands out beyond the roll
	RiskBond                     // the bond line does not get warm enough
	RiskScorch                   // the paper is scorched
	RiskKinds
)

var riskNames = [RiskKinds]string{"sheet", "core", "overhang", "lap", "head", "bond", "scorch"}

// String is the name of the kind in JSON.
func (k RiskKind) String() string {
	if k < RiskKinds {
		return riskNames[k]
	}
	return "unknown"
}

// Said is the kind in words of the table.
func (k RiskKind) Said() wording.Said { return wording.Say("risk." + k.String()) }

// Label is the kind in words.
func (k RiskKind) Label() string { return k.Said().String() }

// Unit is the SI unit of the margin to the rule: of a length, or of a time in
// the press.
func (k RiskKind) Unit() string {
	if k == RiskBond || k == RiskScorch {
		return "s"
	}
	return "m"
}

// Chance is how likely a recipe ends in one kind of bad wrap, by what is
// uncertain about what goes into it.
type Chance struct {
	Known  bool
	P      float64 // 0 to 1
	Margin float64 // from the nominal value to the rule, in the SI unit of the rule
	U      float64 // standard uncertainty of the margin
}

// Risk is the chance of each kind of bad wrap. One of a kind that the line has
// no station for is not known.
type Risk [RiskKinds]Chance

// MarshalJSON writes an object with the chance of each kind that is known.
func (r Risk) MarshalJSON() ([]byte, error) {
	out := []byte{'{'}
	for k, c := range r {
		if !c.Known {
			continue
		}
		number, err := json.Marshal(c.P)
		if err != nil {
			return nil, fmt.Errorf("risk %s: %w", RiskKind(k), err)
		}
		if len(out) > 1 {
			out = append(out, ',')
		}
		out = append(out, `"`+riskNames[k]+`":`...)
		out = append(out, number...)
	}
	return append(out, '}'), nil
}

// UnmarshalJSON reads what MarshalJSON writes; margins are not in it.
func (r *Risk) UnmarshalJSON(text []byte) error {
	if written, ok := riskAsWritten(string(text)); ok {
		*r = written
		return nil
	}
	chances := map[string]float64{}
	if err := json.Unmarshal(text, &chances); err != nil {
		return fmt.Errorf("risk: %w", err)
	}
	*r = Risk{}
	for k, name := range riskNames {
		if p, ok := chances[name]; ok {
			r[k] = Chance{Known: true, P: p}
		}
	}
	return nil
}

// riskAsWritten reads a sound JSON text whose kinds stand as MarshalJSON writes them: each at
// most once and in their order. ok is false for any other text.
func riskAsWritten(text string) (r Risk, ok bool) {
	text, ok = strings.CutPrefix(text, "{")
	for k, name := range riskNames {
		number, known := strings.CutPrefix(text, `"`+name+`":`)
		end := strings.IndexAny(number, ",}")
		if !known || end < 0 {
			continue
		}
		p, err := strconv.ParseFloat(number[:end], 64)
		if err != nil {
			return r, false
		}
		r[k] = Chance{Known: true, P: p}
		text = strings.TrimPrefix(number[end:], ",")
	}
	return r, ok && text == "}"
}

// least is the uncertainty below which a margin is as good as certain, m.
const least = 1e-9

// tail is the chance that a standard normal value is above z.
func tail(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// smeared is the chance that an error beyond a margin occurs: the sum of a
// normal one of standard deviation u and of two that are as likely anywhere
// between 0 and a, and 0 and b.
//
// With Φ the normal distribution, F its integral zΦ + φ and G the integral of
// that, ((z² + 1)Φ + zφ)/2, it is the mean of Φ((x + y − margin)/u) over x and
// y, which those integrals give at the corners.
func smeared(margin, u, a, b float64) float64 {
	u = math.Max(u, least)
	if a < b {
		a, b = b, a
	}
	// What is small against u is within the normal error: its mean is taken.
	if b < 0.05*u {
		margin, b = margin-b/2, 0
	}
	if a < 0.05*u {
		margin, a = margin-a/2, 0
	}
	z := -margin / u
	var p float64
	switch {
	case z+(a+b)/u < -9: // below 1e-19
		return 0
	case a == 0:
		p = tail(-z)
	case b == 0:
		p = u / a * (once(z+a/u) - once(z))
	default:
		p = u / a * (u / b) * (twice(z+(a+b)/u) - twice(z+a/u) - twice(z+b/u) + twice(z))
	}
	return math.Min(1, math.Max(0, p))
}

// worseOfTwo is the chance that an error beyond a margin occurs at one of two
// ends that share the normal error, each with one of its own that is as likely
// anywhere between 0 and b: the greater x of two has the density 2x/b².
func worseOfTwo(margin, u, b float64) float64 {
	u = math.Max(u, least)
	if b < 0.05*u {
		return smeared(margin-2*b/3, u, 0, 0)
	}
	z := -margin / u
	far, r := z+b/u, u/b
	if far < -9 {
		return 0
	}
	return math.Min(1, math.Max(0, 2*r*(once(far)-r*(twice(far)-twice(z)))))
}

func once(z float64) float64 {
	return z*tail(-z) + density(z)
}

func twice(z float64) float64 {
	return ((z*z+1)*tail(-z) + z*density(z)) / 2
}

func density(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
