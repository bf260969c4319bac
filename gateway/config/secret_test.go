package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/config"
)

func TestReadSecret(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	env := func(name string) (string, bool) {
		if name == "LINE_PASSWORD" {
			return "from the environment", true
		}
		return "", false
	}
	for _, tt := range []struct{ source, want, bad string }{
		{"file:" + file("good", "word one\n", 0o600), "word one", ""},
		{"file:" + file("read only", "word\r\n", 0o400), "word", ""},
		{"file:" + file("group", "hush-hush", 0o640), "", "mode 0640, want 0600 or stricter"},
		{"file:" + file("others", "hush-hush", 0o604), "", "mode 0604"},
		{"file:" + file("empty", "\n", 0o600), "", "is empty"},
		{"file:" + dir, "", "is a directory"},
		{"file:" + filepath.Join(dir, "none"), "", "no such file"},
		{"file:" + file("huge", strings.Repeat("x", 1<<20+1), 0o600), "", "more than"},
		{"env:LINE_PASSWORD", "from the environment", ""},
		{"env:OTHER", "", "no variable OTHER"},
		{"hush-hush", "", "want file:PATH or env:NAME"},
		{"", "", "want file:PATH or env:NAME"},
	} {
		got, err := config.ReadSecret(tt.source, env)
		if tt.bad == "" && (err != nil || got != tt.want) {
			t.Errorf("%s: got %q, %v", tt.source, got, err)
		}
		if tt.bad != "" && (err == nil || !strings.Contains(err.Error(), tt.bad) || got != "") {
			t.Errorf("%s: got %q, %v, want %q", tt.source, got, err, tt.bad)
		}
		if err != nil && strings.Contains(err.Error(), "hush-hush") {
			t.Errorf("%s: the secret is shown: %v", tt.source, err)
		}
	}
}
