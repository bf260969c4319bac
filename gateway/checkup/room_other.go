//go:build !linux && !darwin

package checkup

import "errors"

// FreeRoom is not told here.
func FreeRoom(string) (uint64, error) { return 0, errors.ErrUnsupported }
