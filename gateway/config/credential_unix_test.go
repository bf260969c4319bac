//go:build unix

package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/config"
)

// TestReadCredential: what systemd hands to a service by an access list is readable by
// root's group, and is taken; the same of another group is not.
func TestReadCredential(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root makes a file of root")
	}
	path := filepath.Join(t.TempDir(), "secret_password")
	if err := os.WriteFile(path, []byte("word\n"), 0o440); err != nil {
		t.Fatal(err)
	}
	for group, want := range map[int]string{0: "", 1: "mode 0440"} {
		if err := os.Chown(path, 0, group); err != nil {
			t.Fatal(err)
		}
		got, err := config.ReadSecret("file:"+path, nil)
		if want == "" && (err != nil || got != "word") || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("group %d: got %q, %v; want %q", group, got, err, want)
		}
	}
}
