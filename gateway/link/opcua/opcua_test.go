package opcua

import (
	"testing"

	"lapgate/gateway/link/linktest"
)

// TestSuite holds every security to the suite of all transports. The suite
// connects some three hundred times, so a short run takes the two ends.
func TestSuite(t *testing.T) {
	for _, sec := range securities() {
		t.Run(sec.String(), func(t *testing.T) {
			whole := sec.policy == PolicyNone || sec == security{PolicyBasic256Sha256, ModeSignAndEncrypt}
			if testing.Short() && !whole {
				t.Skip("long")
			}
			linktest.Run(t, func(t *testing.T) *linktest.Harness { return harness(t, sec) })
		})
	}
}
