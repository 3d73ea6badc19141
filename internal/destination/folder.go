package destination

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"time"
)

// folderPlace keeps files in a folder. All access goes through os.Root, which no
// path and no symbolic link leads out of.
type folderPlace struct{ root *os.Root }

func openFolder(folder string) (*folderPlace, error) {
	if !filepath.IsAbs(folder) {
		return nil, fmt.Errorf("folder %q: want an absolute path", folder)
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, fmt.Errorf("folder: %w; it must be there, for the program to write into", err)
	}
	return &folderPlace{root: root}, nil
}

// partName is the name of a file that is being written: hidden, and told apart
// by run and attempt.
func partName(file, run, tag string) string {
	return "." + file + "." + run + "." + tag + ".part"
}

// Put writes the file beside its place, has it synced to disk, and renames it.
func (p *folderPlace) Put(_ context.Context, to, run, tag string, write func(io.Writer) error, sure func() error) (err error) {
	dir, file := path.Split(to)
	dir = path.Clean(dir)
	if err := p.root.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	if err := p.sweep(dir, "."+file+"."+run+"."); err != nil {
		return err
	}
	part := path.Join(dir, partName(file, run, tag))
	f, err := p.root.OpenFile(part, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, ignoreMissing(p.root.Remove(part)))
		}
	}()
	if err := errors.Join(write(f), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := sure(); err != nil {
		return err
	}
	if err := p.root.Rename(part, to); err != nil {
		return err
	}
	return p.sync(dir)
}

// sweep removes what earlier attempts of a run have left when they were killed.
func (p *folderPlace) sweep(dir, prefix string) error {
	d, err := p.root.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	for {
		entries, err := d.ReadDir(1000)
		for _, e := range entries {
			if strings.HasPrefix(e.Name(), prefix) && strings.HasSuffix(e.Name(), ".part") {
				if err := ignoreMissing(p.root.Remove(path.Join(dir, e.Name()))); err != nil {
					return err
				}
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// partOf is what partName makes, of a run with the id of one.
var partOf = regexp.MustCompile(`^\.[A-Za-z0-9_-][A-Za-z0-9._-]*\.[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\.[0-9]+\.part$`)

// forget removes, in all folders, what was being written and has not been
// written to since a time: its run was never gone on with.
func (p *folderPlace) forget(ctx context.Context, before time.Time) error {
	var errs []error
	err := fs.WalkDir(p.root.FS(), ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil {
			errs = append(errs, ignoreMissing(err))
			return nil // the others all the same
		}
		if !entry.Type().IsRegular() || !partOf.MatchString(entry.Name()) {
			return ctx.Err()
		}
		if info, err := entry.Info(); err == nil && info.ModTime().Before(before) {
			errs = append(errs, ignoreMissing(p.root.Remove(name)))
		}
		return ctx.Err()
	})
	return errors.Join(append(errs, err)...)
}

// sync has a folder's names on disk.
func (p *folderPlace) sync(dir string) error {
	d, err := p.root.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

type folderFile struct {
	*os.File
	size int64
}

func (f *folderFile) Size() int64 { return f.size }

func (p *folderPlace) Open(_ context.Context, from string) (File, error) {
	f, err := p.root.Open(from)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrMissing
	}
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if !info.Mode().IsRegular() {
		return nil, errors.Join(ErrMissing, f.Close())
	}
	return &folderFile{File: f, size: info.Size()}, nil
}
