package sheet

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
)

// Counts are what became of the rows so far.
type Counts struct {
	Rows       int64 `json:"rows"`
	Accepted   int64 `json:"accepted"`
	Duplicates int64 `json:"duplicates"`
	Rejected   int64 `json:"rejected"`
}

// Checkpoint is how far the import of one file to one service has come. It
// saves time when an import is started again; that nothing is taken twice
// rests on the readings' identities alone.
type Checkpoint struct {
	Source  string `json:"source"` // of which file and to which service
	Place   Place  `json:"place"`
	Counts  Counts `json:"counts"`
	Rejects int64  `json:"rejects_bytes"` // size of the rejects file at this place
}

// Longest beginning of a file that is taken to know it again, byte.
const fingerprintBytes = 64 << 10

// SourceOf says which file is imported to which service, and by which mapping
// (its bytes; none without one): the file's size and its first 64 KiB.
func SourceOf(path, server string, mapping []byte) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", err
	}
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%d\n%d\n%s", server, info.Size(), len(mapping), mapping)
	if _, err := io.CopyN(h, f, fingerprintBytes); err != nil && !errors.Is(err, io.EOF) {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// LoadCheckpoint reads a checkpoint. It returns a fresh one, and false, if
// there is none or if it is of another file or service.
func LoadCheckpoint(path, source string) (Checkpoint, bool, error) {
	fresh := Checkpoint{Source: source}
	b, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return fresh, false, nil
	}
	if err != nil {
		return fresh, false, err
	}
	var c Checkpoint
	readable := json.Unmarshal(b, &c) == nil
	if !readable || c.Source != source {
		return fresh, false, nil // a checkpoint only saves time: without a readable one the import begins at the beginning
	}
	return c, true, nil
}

// save replaces the file in one step, so that a kill leaves the old one or the new one.
func (c Checkpoint) save(path string) error {
	b, err := json.Marshal(c)
	if err != nil {
		return err
	}
	next := path + ".next"
	if err := os.WriteFile(next, b, 0o600); err != nil {
		return err
	}
	return os.Rename(next, path)
}
