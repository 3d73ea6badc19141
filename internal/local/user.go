package local

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is whom the database server runs as. PostgreSQL refuses to run as
// root, so a root caller starts it as somebody else.
type account struct {
	uid, gid int
	self     bool // the caller's own account: nothing to switch
}

// serviceAccount picks the account: the caller's own unless that is root; else
// the owner of the folder if it is there already, the system user creepage,
// the postgres that Debian's package made, or a creepage made now.
func serviceAccount(dir string) (account, error) {
	if os.Geteuid() != 0 {
		return account{uid: os.Geteuid(), gid: os.Getegid(), self: true}, nil
	}
	if info, err := os.Stat(dir); err == nil {
		if st, ok := info.Sys().(*syscall.Stat_t); ok && st.Uid != 0 {
			return account{uid: int(st.Uid), gid: int(st.Gid)}, nil
		}
	}
	for _, name := range []string{"creepage", "postgres"} {
		if a, err := accountOf(name); err == nil {
			return a, nil
		}
	}
	if out, err := exec.Command("useradd", "--system", "--no-create-home", "--shell", "/usr/sbin/nologin", "creepage").CombinedOutput(); err != nil {
		return account{}, fmt.Errorf("PostgreSQL does not run as root and the system user creepage cannot be made: %w: %s", err, out)
	}
	return accountOf("creepage")
}

func accountOf(name string) (account, error) {
	u, err := user.Lookup(name)
	if err != nil {
		return account{}, err
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		return account{}, fmt.Errorf("user id of %s: %w", name, err)
	}
	gid, err := strconv.Atoi(u.Gid)
	if err != nil {
		return account{}, fmt.Errorf("group id of %s: %w", name, err)
	}
	return account{uid: uid, gid: gid}, nil
}

// own makes the folder, private to the account.
func (a account) own(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if !a.self {
		if err := os.Chown(dir, a.uid, a.gid); err != nil {
			return err
		}
	}
	return os.Chmod(dir, 0o700)
}

// apply makes a command run as the account, in a session of its own, so that an
// interrupt from the terminal reaches the service first and the database last.
func (a account) apply(cmd *exec.Cmd) {
	attr := &syscall.SysProcAttr{Setsid: true}
	if !a.self {
		attr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid), NoSetGroups: false}
	}
	cmd.SysProcAttr = attr
	cmd.Dir = "/"
}

// reaches says whether the account can walk down to the folder, which need not
// exist yet: every existing ancestor must let it pass.
func (a account) reaches(dir string) bool {
	if a.self {
		return true
	}
	for d := filepath.Dir(dir); ; d = filepath.Dir(d) {
		info, err := os.Stat(d)
		if err == nil && !a.passes(info) {
			return false
		}
		if d == filepath.Dir(d) {
			return true
		}
	}
}

func (a account) passes(info fs.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return false
	}
	mode := info.Mode().Perm()
	switch {
	case int(st.Uid) == a.uid:
		return mode&0o100 != 0
	case int(st.Gid) == a.gid:
		return mode&0o010 != 0
	}
	return mode&0o001 != 0
}
