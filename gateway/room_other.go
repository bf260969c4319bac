//go:build !linux && !darwin

package gateway

import "errors"

// freeRoom is not told here.
func freeRoom(string) (uint64, error) { return 0, errors.ErrUnsupported }
