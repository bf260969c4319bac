package opcua

import (
	"bufio"
	"fmt"
	"os"
	"strings"
)

// ReadUsers reads a file of name:password lines. It never repeats a line in an
// error: a password may stand in it.
func ReadUsers(path string) (map[string]string, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }() // only read
	users := map[string]string{}
	in := bufio.NewScanner(file)
	for n := 1; in.Scan(); n++ {
		if strings.TrimSpace(in.Text()) == "" {
			continue
		}
		name, password, ok := strings.Cut(in.Text(), ":")
		if !ok || name == "" || password == "" {
			return nil, fmt.Errorf("%s:%d: want name:password", path, n)
		}
		if _, twice := users[name]; twice {
			return nil, fmt.Errorf("%s:%d: user %q stands twice", path, n, name)
		}
		users[name] = password
	}
	if err := in.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if len(users) == 0 {
		return nil, fmt.Errorf("%s: holds no user; want name:password lines", path)
	}
	return users, nil
}
