package local

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// systemFolder holds the data of a root caller whose own folder the database's
// account cannot reach, such as one below /root.
const systemFolder = "/var/lib/creepage"

// longestSocketPath is what the kernel takes for a socket's path (sun_path is
// 108 bytes on Linux and 104 on macOS, with a closing zero).
const longestSocketPath = 103

// folders are where a private server keeps its things.
type folders struct {
	base    string // everything below belongs to the server's account
	data    string // the cluster
	sockets string // holds the socket; private to the account
	log     string
}

// layOut decides where a server for the given folder lives. That is the folder
// itself, unless the account cannot reach it; then it is below systemFolder and
// a note in the folder says so.
func layOut(dir string, who account) (folders, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return folders{}, err
	}
	base := abs
	if !who.reaches(abs) {
		base = filepath.Join(systemFolder, shortName(abs))
		if err := os.MkdirAll(systemFolder, 0o711); err != nil {
			return folders{}, fmt.Errorf("user id %d cannot reach %s, nor can %s be made: %w", who.uid, abs, systemFolder, err)
		}
		if err := os.MkdirAll(abs, 0o700); err != nil {
			return folders{}, err
		}
		note := "The database's account cannot reach this folder; its data are in " + base + "\n"
		if err := os.WriteFile(filepath.Join(abs, "LOCATION"), []byte(note), 0o600); err != nil {
			return folders{}, err
		}
	}
	f := folders{base: base, data: filepath.Join(base, "data"), sockets: filepath.Join(base, "socket"), log: filepath.Join(base, "postgres.log")}
	if len(filepath.Join(f.sockets, socketName)) > longestSocketPath {
		f.sockets = filepath.Join("/tmp", "creepage-"+shortName(abs))
	}
	return f, nil
}

// make creates what is missing and refuses a socket folder that is not ours.
func (f folders) make(who account) error {
	for _, dir := range []string{f.base, f.sockets} {
		if err := who.own(dir); err != nil {
			return fmt.Errorf("prepare %s: %w", dir, err)
		}
	}
	info, err := os.Lstat(f.sockets)
	if err != nil {
		return err
	}
	if st, ok := info.Sys().(*syscall.Stat_t); !info.IsDir() || !ok || int(st.Uid) != who.uid {
		return fmt.Errorf("socket folder %s belongs to somebody else: remove it", f.sockets)
	}
	return nil
}

// shortName is a stable short name for a path.
func shortName(path string) string {
	sum := sha256.Sum256([]byte(path))
	return hex.EncodeToString(sum[:6])
}

// clusterMajor returns the major version of the cluster in the data folder, 0
// if there is none yet.
func (f folders) clusterMajor() (int, error) {
	text, err := os.ReadFile(filepath.Join(f.data, "PG_VERSION"))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	var major int
	if _, err := fmt.Sscanf(strings.TrimSpace(string(text)), "%d", &major); err != nil {
		return 0, fmt.Errorf("read the version of the cluster in %s: %w", f.data, err)
	}
	return major, nil
}

// folderLock keeps a second process from running on the same folder. The
// kernel lets go of it when the process ends, however it ends.
type folderLock struct{ file *os.File }

func lockFolder(dir string) (*folderLock, error) {
	path := filepath.Join(dir, "lock")
	file, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		file.Close()
		return nil, fmt.Errorf("%s is in use by another running process", dir)
	}
	return &folderLock{file: file}, nil
}

func (l *folderLock) release() error { return l.file.Close() }
