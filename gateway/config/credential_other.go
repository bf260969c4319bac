//go:build !unix

package config

import "io/fs"

// isCredential is false: this system has no systemd.
func isCredential(fs.FileInfo) bool { return false }
