//go:build unix

package config_test

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/config"
)

// A pipe in the place of a configuration is refused at once, and a reload of it too.
func TestPipeIsNoConfiguration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "mill.yaml")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := config.Load(config.Source{Path: path})
	if err == nil || !strings.Contains(err.Error(), "not a regular file") {
		t.Errorf("got %v", err)
	}
	if _, err := config.ReadSettled(t.Context(), path, time.Millisecond); err == nil || !strings.Contains(err.Error(), "not a regular file") {
		t.Errorf("read again: %v", err)
	}
}
