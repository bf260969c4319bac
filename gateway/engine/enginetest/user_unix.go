//go:build unix

package enginetest

import (
	"os"
	"os/exec"
	"os/user"
	"strconv"
	"syscall"
)

// postgres is the user of the system that the server runs as where the tests run as root.
func postgres() (uid, gid int, err error) {
	u, err := user.Lookup("postgres")
	if err != nil {
		return 0, 0, err
	}
	if uid, err = strconv.Atoi(u.Uid); err != nil {
		return 0, 0, err
	}
	gid, err = strconv.Atoi(u.Gid)
	return uid, gid, err
}

// give hands a folder to the user of the server.
func give(folder string) error {
	if os.Getuid() != 0 {
		return nil
	}
	uid, gid, err := postgres()
	if err != nil {
		return err
	}
	return os.Chown(folder, uid, gid)
}

// drop lets a program run as the user of the server, in a group of its own, so that an
// interrupt of the tests does not reach it.
func drop(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if os.Getuid() != 0 {
		return
	}
	if uid, gid, err := postgres(); err == nil {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
}
