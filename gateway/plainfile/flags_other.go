//go:build !unix

package plainfile

// This system has no such flags; what a path leads to is looked at before and after.
const (
	withoutWaiting = 0
	withoutLinks   = 0
)
