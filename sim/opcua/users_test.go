package opcua

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSimUsers(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"two", "line:one\n\nhmi:two:three\n", ""},
		{"no colon", "line one-secret\n", ":1: want name:password"},
		{"no password", "line:\n", ":1: want name:password"},
		{"no name", "line:a\n:one-secret\n", ":2: want name:password"},
		{"twice", "line:a\nline:one-secret\n", `:2: user "line" stands twice`},
		{"empty", "\n", "holds no user"},
	} {
		path := filepath.Join(t.TempDir(), "users")
		if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		users, err := ReadUsers(path)
		switch {
		case c.want == "":
			if err != nil || len(users) != 2 || users["line"] != "one" || users["hmi"] != "two:three" {
				t.Errorf("%s: %v, %v", c.name, users, err)
			}
		case err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "secret"):
			t.Errorf("%s: %v, want %q in it and no password", c.name, err, c.want)
		}
	}
}
