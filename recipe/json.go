package recipe

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
)

// Result is a recipe with what the checks say about it, as people and other
// programs get it in JSON.
type Result struct {
	Roll     string    `json:"roll"`
	Verdict  string    `json:"verdict"` // go or hold
	Findings []Finding `json:"findings"`
	// Setpoints are those in force, Uncertainty their standard uncertainties.
	Setpoints   Values `json:"setpoints"`
	Uncertainty Values `json:"uncertainty"`
	// Risk is the chance of each kind of bad wrap.
	Risk Risk `json:"risk"`
	// Instructions are for the operator of a line with manual stations; see
	// Instructions.
	Instructions []string `json:"instructions,omitempty"`
}

// NewResult puts a recipe and its findings together. The verdict is hold when
// a finding is.
func NewResult(roll *Roll, rec *Recipe, findings []Finding) Result {
	r := Result{
		Roll: roll.Tag, Verdict: "go", Findings: findings,
		Setpoints: rec.Setpoints.InForce(), Uncertainty: rec.Uncertainties(), Risk: rec.Risk,
	}
	if r.Roll == "" && roll.Number != 0 {
		r.Roll = strconv.FormatUint(uint64(roll.Number), 10)
	}
	if r.Findings == nil {
		r.Findings = []Finding{}
	}
	if Held(findings) {
		r.Verdict = "hold"
	}
	return r
}

// MarshalJSON writes an object with a number for each value under the name of
// its setpoint, in the order of the list.
func (list Values) MarshalJSON() ([]byte, error) {
	out := []byte{'{'}
	for i, v := range list {
		if i > 0 {
			out = append(out, ',')
		}
		number, err := json.Marshal(v.Value)
		if v.Form != Number {
			number = strconv.AppendInt(nil, int64(v.Value), 10)
		}
		if err != nil {
			return nil, fmt.Errorf("setpoint %s: %w", v.Name, err)
		}
		out = append(strconv.AppendQuote(out, v.Name), ':')
		out = append(out, number...)
	}
	return append(out, '}'), nil
}

// UnmarshalJSON reads what MarshalJSON writes. The error names a key that is
// no setpoint, or whose value is no number.
func (list *Values) UnmarshalJSON(text []byte) error {
	in := json.NewDecoder(bytes.NewReader(text))
	if start, err := in.Token(); err != nil || start != json.Delim('{') {
		return fmt.Errorf("setpoints: got %s, want an object with a number for each", text)
	}
	var out Values
	for in.More() {
		key, err := in.Token()
		if err != nil {
			return fmt.Errorf("setpoints: %w", err)
		}
		name, _ := key.(string)
		v := Value{Setpoint: FindSetpoint(name)}
		if v.Setpoint == nil {
			return fmt.Errorf("setpoints: no setpoint is named %q", name)
		}
		if err := in.Decode(&v.Value); err != nil {
			return fmt.Errorf("setpoint %s: %w", name, err)
		}
		out = append(out, v)
	}
	*list = out
	return nil
}
