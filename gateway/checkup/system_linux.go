package checkup

import (
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// unsynchronised is the flag of adjtimex(2) that says that nobody keeps the clock.
const unsynchronised = 0x40

// KeptClock asks the kernel how well the clock is kept.
func KeptClock() (Clock, error) {
	var t unix.Timex // with no mode it only reads
	if _, err := unix.Adjtimex(&t); err != nil {
		return Clock{}, fmt.Errorf("the kernel does not tell of the clock: %w", err)
	}
	return Clock{Synchronised: t.Status&unsynchronised == 0, MaxError: time.Duration(t.Maxerror) * time.Microsecond}, nil
}
