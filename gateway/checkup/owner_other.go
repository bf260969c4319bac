//go:build !unix

package checkup

import "io/fs"

// Owner is empty: this system has no owner that is simply told.
func Owner(fs.FileInfo) string { return "" }
