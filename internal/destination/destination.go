// Package destination is where files that are made ahead go: folders and buckets
// that the operator has named, each organisation's files under its own name.
// Nobody else can name a place, and no caller can read what opens it.
package destination

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Kind is the kind of a place: the numbers of the contract's ReportDestination.Kind.
type Kind int32

// Kinds.
const (
	Folder Kind = 1
	Bucket Kind = 2
)

// ErrUnknown says that the operator has set no such place, or not for this
// organisation.
var ErrUnknown = errors.New("the operator has set no such destination")

// ErrMissing says that there is no such file.
var ErrMissing = errors.New("the file is not there")

// File is a file that is read. Reading costs memory that does not grow with it.
type File interface {
	io.ReadSeekCloser
	Size() int64
}

// Place keeps files under paths. A file is there whole or not at all.
type Place interface {
	// Put writes a file with what write writes. tag names the attempt: what an
	// attempt of another tag of the same run has left behind is removed. sure is
	// asked just before the file gets its name.
	Put(ctx context.Context, path, run, tag string, write func(io.Writer) error, sure func() error) error
	// Open opens a file; ErrMissing if it is not there.
	Open(ctx context.Context, path string) (File, error)
}

// Set is all places of an installation.
type Set struct{ places map[string]*entry }

type entry struct {
	place         Place
	kind          Kind
	organisations []string // empty: all
}

// settings are a place as the operator writes it.
type settings struct {
	Folder        string   `json:"folder"`
	Endpoint      string   `json:"endpoint"`
	Bucket        string   `json:"bucket"`
	Prefix        string   `json:"prefix"`
	Region        string   `json:"region"`
	AccessKey     string   `json:"access_key"`
	SecretKey     string   `json:"secret_key"`
	SecretKeyFile string   `json:"secret_key_file"`
	CAFile        string   `json:"ca_file"`
	Insecure      bool     `json:"insecure"`
	Organisations []string `json:"organisations"`
}

var placeName = regexp.MustCompile(`^[a-z0-9]([a-z0-9._-]{0,62}[a-z0-9])?$`)

// Read reads the operator's places: a JSON object of them by name. An empty
// text is an empty set. Errors hold nothing of what is secret.
func Read(text string) (*Set, error) {
	set := &Set{places: map[string]*entry{}}
	if strings.TrimSpace(text) == "" {
		return set, nil
	}
	var named map[string]settings
	d := json.NewDecoder(bytes.NewReader([]byte(text)))
	d.DisallowUnknownFields()
	if err := d.Decode(&named); err != nil {
		return nil, fmt.Errorf(`destinations: %w; want {"NAME": {"folder": "/srv/reports"}} or {"NAME": {"endpoint": "https://objects.example.com", "bucket": "...", ...}}`, withoutText(err))
	}
	for _, name := range slices.Sorted(maps.Keys(named)) {
		s := named[name]
		if !placeName.MatchString(name) {
			return nil, fmt.Errorf("destination %q: want a name of lower case letters, digits, '-', '_' and '.'", name)
		}
		e, err := s.open()
		if err != nil {
			return nil, fmt.Errorf("destination %s: %w", name, err)
		}
		set.places[name] = e
	}
	return set, nil
}

// withoutText keeps of a decoder's error what says nothing of the values.
func withoutText(err error) error {
	var kind *json.UnmarshalTypeError
	if errors.As(err, &kind) {
		return fmt.Errorf("%s is not a %s", kind.Field, kind.Type)
	}
	return err
}

func (s *settings) open() (*entry, error) {
	switch {
	case s.Folder != "" && (s.Endpoint != "" || s.Bucket != ""):
		return nil, errors.New("it is a folder or a bucket, not both")
	case s.Folder != "":
		p, err := openFolder(s.Folder)
		return &entry{place: p, kind: Folder, organisations: s.Organisations}, err
	case s.Endpoint == "" || s.Bucket == "":
		return nil, errors.New("want folder, or endpoint and bucket")
	}
	p, err := openBucket(s)
	return &entry{place: p, kind: Bucket, organisations: s.Organisations}, err
}

// AddFolder adds a folder under a name, for an installation that is told of none.
func (s *Set) AddFolder(name, folder string) error {
	p, err := openFolder(folder)
	if err != nil {
		return fmt.Errorf("destination %s: %w", name, err)
	}
	s.places[name] = &entry{place: p, kind: Folder}
	return nil
}

// Named is a place with its name.
type Named struct {
	Name string
	Kind Kind
}

// Of lists the places that an organisation may use, by name.
func (s *Set) Of(organisation string) []Named {
	var list []Named
	for _, name := range slices.Sorted(maps.Keys(s.places)) {
		if e := s.places[name]; e.allows(organisation) {
			list = append(list, Named{name, e.kind})
		}
	}
	return list
}

func (e *entry) allows(organisation string) bool {
	return len(e.organisations) == 0 || slices.Contains(e.organisations, organisation)
}

// For returns an organisation's share of a place: its paths lie within a folder
// of the organisation's name. The error is ErrUnknown if it may use no such place.
func (s *Set) For(organisation, name string) (Place, error) {
	e, ok := s.places[name]
	if !ok || !e.allows(organisation) {
		return nil, fmt.Errorf("%w: %q", ErrUnknown, name)
	}
	if !step.MatchString(organisation) {
		return nil, fmt.Errorf("organisation %q: the name cannot be a folder's", organisation)
	}
	return &share{place: e.place, folder: organisation}, nil
}

// share is a place as one organisation sees it.
type share struct {
	place  Place
	folder string
}

func (s *share) Put(ctx context.Context, to, run, tag string, write func(io.Writer) error, sure func() error) error {
	p, err := s.within(to)
	if err != nil {
		return err
	}
	return s.place.Put(ctx, p, run, tag, write, sure)
}

func (s *share) Open(ctx context.Context, from string) (File, error) {
	p, err := s.within(from)
	if err != nil {
		return nil, err
	}
	return s.place.Open(ctx, p)
}

func (s *share) within(p string) (string, error) {
	dir, file := path.Split(p)
	if err := CheckFolder(strings.TrimSuffix(dir, "/")); err != nil {
		return "", err
	}
	if !step.MatchString(file) || !filepath.IsLocal(file) {
		return "", fmt.Errorf("file %q: want letters, digits, '-', '_' and '.', and no '.' at its beginning", file)
	}
	return path.Join(s.folder, p), nil
}

// step is one step of a path: it does not begin with a point, so that it is
// neither hidden nor a way upwards.
var step = regexp.MustCompile(`^[A-Za-z0-9_-][A-Za-z0-9._-]{0,127}$`)

const mostSteps = 8

// CheckFolder says what is wrong with the path of a folder within an
// organisation's own, nil if nothing is.
func CheckFolder(folder string) error {
	if folder == "" {
		return nil
	}
	steps := strings.Split(folder, "/")
	if len(steps) > mostSteps {
		return fmt.Errorf("folder %q: %d steps; allowed are %d", folder, len(steps), mostSteps)
	}
	for _, s := range steps {
		if !step.MatchString(s) {
			return fmt.Errorf("folder %q: each step has letters, digits, '-', '_' and '.', does not begin with '.' and has 1 to 128 characters; want such as monthly/summary", folder)
		}
	}
	return nil
}

// Forget removes from the folders what attempts that were killed have left
// behind and nobody has written to since a time. A bucket's store does that
// itself where it is told to.
func (s *Set) Forget(ctx context.Context, before time.Time) error {
	var errs []error
	for _, name := range slices.Sorted(maps.Keys(s.places)) {
		if f, ok := s.places[name].place.(*folderPlace); ok {
			if err := f.forget(ctx, before); err != nil {
				errs = append(errs, fmt.Errorf("destination %s: %w", name, err))
			}
		}
	}
	return errors.Join(errs...)
}

// Close frees what the places hold.
func (s *Set) Close() error {
	var errs []error
	for _, e := range s.places {
		if f, ok := e.place.(*folderPlace); ok {
			errs = append(errs, f.root.Close())
		}
	}
	return errors.Join(errs...)
}

// secretOf returns the secret key, or what its file holds.
func (s *settings) secretOf() (string, error) {
	if s.SecretKeyFile == "" {
		return s.SecretKey, nil
	}
	if s.SecretKey != "" {
		return "", errors.New("both secret_key and secret_key_file are set")
	}
	b, err := os.ReadFile(s.SecretKeyFile)
	if err != nil {
		return "", fmt.Errorf("secret_key_file: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}
