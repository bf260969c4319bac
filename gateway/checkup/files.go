package checkup

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"lapgate/gateway/inspect"
)

// Permissions that nobody but owner and group should have of what the daemon keeps.
const (
	writtenByOthers fs.FileMode = 0o002
	writtenByGroup  fs.FileMode = 0o020
)

// files looks at owner and mode of the configuration, the folders and the journals.
func (c *checkup) files() {
	if c.config.File != "" {
		c.file("configuration", c.config.File, writtenByOthers|writtenByGroup, "")
	}
	folder := c.config.Journal.Directory
	owner := c.file("folder of the journals", folder, writtenByOthers, "")
	if state := c.config.Journal.StateFolder(); owner != "" {
		c.file("folder of the state", state, writtenByOthers, owner)
	}
	for i := range c.config.Lines {
		path := c.config.Journal.Path(c.config.Lines[i].Recipe.Name)
		for _, end := range [...]string{"", "-wal", "-shm"} {
			if _, err := os.Lstat(path + end); err == nil {
				c.file("file "+filepath.Base(path+end), path+end, writtenByOthers, owner)
			}
		}
	}
}

// file looks at one file, and returns its owner, empty where that is not known. What
// another account than owner has there was made by a daemon that ran as that account.
func (c *checkup) file(subject, path string, forbidden fs.FileMode, owner string) string {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		c.add(inspect.Note, subject, path+" is not there yet", "", "")
		return ""
	}
	if err != nil {
		c.add(inspect.Fail, subject, err.Error(), "readable", "let the account of the daemon read it, and run doctor as that account")
		return ""
	}
	has := Owner(info)
	got := fmt.Sprintf("%s: mode %04o", path, info.Mode().Perm())
	if has != "" {
		got += ", owned by " + has
	}
	switch {
	case info.Mode().Perm()&forbidden != 0:
		c.add(inspect.Fail, subject, got, "not to be written by others", fmt.Sprintf("chmod %s %s", removed(forbidden), path))
	case owner != "" && has != "" && has != owner:
		c.add(inspect.Fail, subject, got, "owned by "+owner+", as the folder of the journals is", "stop the daemon, give the file to that account, and run the daemon as it alone: chown "+owner+" "+path)
	default:
		c.add(inspect.OK, subject, got, "", "")
	}
	return has
}

// removed is what chmod is told to take permissions of writing away.
func removed(forbidden fs.FileMode) string {
	if forbidden&writtenByGroup != 0 {
		return "go-w"
	}
	return "o-w"
}
