//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package journal

import (
	"fmt"
	"os"
	"runtime"
)

// lockFile refuses: without a lock that ends with the process, two could write.
func lockFile(path string) (*os.File, error) {
	return nil, fmt.Errorf("journal %s: no exclusive lock is known for %s; run on a Unix system", path, runtime.GOOS)
}
