//go:build !linux

package checkup

import "errors"

// KeptClock is not told here.
func KeptClock() (Clock, error) { return Clock{}, errors.ErrUnsupported }
