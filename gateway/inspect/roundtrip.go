package inspect

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// RoundTrips are how long answers took, in their order. In JSON they are in
// seconds.
type RoundTrips []time.Duration

// String is their spread.
func (r RoundTrips) String() string {
	if len(r) == 0 {
		return "nothing"
	}
	all := slices.Sorted(slices.Values(r))
	if len(all) == 1 {
		return milliseconds(all[0])
	}
	return fmt.Sprintf("%s (%s to %s, %d times)", milliseconds(all[len(all)/2]), milliseconds(all[0]), milliseconds(all[len(all)-1]), len(all))
}

func milliseconds(d time.Duration) string {
	return fmt.Sprintf("%.2f ms", float64(d.Microseconds())/1000)
}

// MarshalJSON writes them in seconds.
func (r RoundTrips) MarshalJSON() ([]byte, error) {
	seconds := make([]float64, len(r))
	for i, d := range r {
		seconds[i] = d.Seconds()
	}
	return json.Marshal(seconds)
}
