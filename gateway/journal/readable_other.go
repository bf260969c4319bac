//go:build !unix

package journal

import "os"

// readable reports why a file cannot be read.
func readable(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return f.Close()
}
