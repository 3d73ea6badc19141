package destination_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"creepage/internal/destination"
)

func sure() error { return nil }

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
}

// places are a folder and a bucket behind TLS of an authority of its own, as an
// operator sets them. The store is github.com/johannesboyne/gofakes3.
func places(t *testing.T) (set *destination.Set, folder string, bucket *s3mem.Backend) {
	t.Helper()
	folder, bucket = t.TempDir(), s3mem.New()
	if err := bucket.CreateBucket("fleet"); err != nil {
		t.Fatal(err)
	}
	s3 := httptest.NewTLSServer(gofakes3.New(bucket).Server())
	t.Cleanup(s3.Close)
	authority, secret := filepath.Join(t.TempDir(), "ca.pem"), filepath.Join(t.TempDir(), "secret")
	for file, content := range map[string][]byte{authority: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s3.Certificate().Raw}), secret: []byte("sesame\n")} {
		if err := os.WriteFile(file, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	set, err := destination.Read(fmt.Sprintf(`{"shelf": {"folder": %q}, "lake": {"endpoint": %q, "ca_file": %q, "bucket": "fleet", "prefix": "creepage", "region": "eu-1", "access_key": "a", "secret_key_file": %q}}`,
		folder, s3.URL, authority, secret))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = set.Close() })
	return set, folder, bucket
}

func TestAFileIsThereWholeOrNotAtAll(t *testing.T) {
	set, _, _ := places(t)
	for _, name := range []string{"shelf", "lake"} {
		p, err := set.For("harbor", name)
		if err != nil {
			t.Fatal(err)
		}
		broken := errors.New("the database is gone")
		for what, put := range map[string]func() error{
			"that fails half way": func() error {
				return p.Put(t.Context(), "daily/x.csv", "run", "1", func(w io.Writer) error { return errors.Join(text("a,b\r\n")(w), broken) }, sure)
			},
			"that is another's by now": func() error {
				return p.Put(t.Context(), "daily/x.csv", "run", "1", text("a,b\r\n"), func() error { return broken })
			},
		} {
			if err := put(); !errors.Is(err, broken) {
				t.Errorf("%s: a file %s: %v", name, what, err)
			}
			if _, err := p.Open(t.Context(), "daily/x.csv"); !errors.Is(err, destination.ErrMissing) {
				t.Errorf("%s: after a file %s: %v", name, what, err)
			}
		}
		if err := p.Put(t.Context(), "daily/x.csv", "run", "2", text("a,b\r\n1,2\r\n"), sure); err != nil {
			t.Fatal(name, err)
		}
		f, err := p.Open(t.Context(), "daily/x.csv")
		if err != nil {
			t.Fatal(name, err)
		}
		_, err = f.Seek(5, io.SeekStart)
		rest, read := io.ReadAll(f)
		if err != nil || read != nil || string(rest) != "1,2\r\n" || f.Size() != 10 {
			t.Errorf("%s: %q of %d, %v %v", name, rest, f.Size(), err, read)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
		// Another organisation's share is another folder.
		theirs, err := set.For("rival", name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := theirs.Open(t.Context(), "daily/x.csv"); !errors.Is(err, destination.ErrMissing) {
			t.Errorf("%s: another organisation's: %v", name, err)
		}
	}
}

// A large file goes up in parts, of which one is in memory at a time.
func TestALargeFileComesBackTheSame(t *testing.T) {
	set, _, _ := places(t)
	block := bytes.Repeat([]byte("0123456789abcdef"), 1<<16) // 1 MiB
	for _, name := range []string{"shelf", "lake"} {
		p, err := set.For("harbor", name)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.New()
		err = p.Put(t.Context(), "big.bin", "run", "1", func(w io.Writer) error {
			for i := range 35 {
				block[0] = byte(i)
				if _, err := io.MultiWriter(w, sum).Write(block); err != nil {
					return err
				}
			}
			return nil
		}, sure)
		if err != nil {
			t.Fatal(name, err)
		}
		f, err := p.Open(t.Context(), "big.bin")
		if err != nil {
			t.Fatal(name, err)
		}
		back := sha256.New()
		if n, err := io.Copy(back, f); err != nil || n != 35<<20 || !bytes.Equal(back.Sum(nil), sum.Sum(nil)) {
			t.Errorf("%s: %d bytes came back, %v", name, n, err)
		}
		_ = f.Close()
	}
}

func TestWhatWasKilledBeforeIsSweptAway(t *testing.T) {
	set, folder, _ := places(t)
	p, err := set.For("harbor", "shelf")
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(folder, "harbor")
	if err := os.Mkdir(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	for _, left := range []string{".x.csv.run.1.part", ".x.csv.run.2.part", ".x.csv.another.1.part"} {
		if err := os.WriteFile(filepath.Join(dir, left), []byte("torn"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := p.Put(t.Context(), "x.csv", "run", "3", text("whole"), sure); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 || entries[0].Name() != ".x.csv.another.1.part" || entries[1].Name() != "x.csv" {
		t.Errorf("%v %v", entries, err)
	}
}

func TestNoPathLeadsOutOfAnOrganisationsFolder(t *testing.T) {
	set, folder, _ := places(t)
	outside := t.TempDir()
	if err := os.WriteFile(filepath.Join(outside, "secret.csv"), []byte("secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(folder, "harbor"), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, filepath.Join(folder, "harbor", "link")); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"shelf", "lake"} {
		p, err := set.For("harbor", name)
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range []string{"../rival/x.csv", "a/../../x.csv", "/etc/x.csv", "..", ".hidden", "a//x.csv", "a\\x.csv", "a/./x.csv", "x\x00.csv", "link/x.csv", ""} {
			if name == "lake" && path == "link/x.csv" {
				continue // a bucket has no links
			}
			if err := p.Put(t.Context(), path, "run", "1", text("x"), sure); err == nil {
				t.Errorf("%s: %q is written to", name, path)
			}
		}
		if f, err := p.Open(t.Context(), "link/secret.csv"); err == nil {
			_ = f.Close()
			t.Errorf("%s: read through a link", name)
		}
	}
	if entries, err := os.ReadDir(outside); err != nil || len(entries) != 1 {
		t.Errorf("%v %v", entries, err)
	}
	for _, organisation := range []string{"..", "../rival", "", "a/b"} {
		if _, err := set.For(organisation, "shelf"); err == nil {
			t.Errorf("organisation %q has a folder", organisation)
		}
	}
}

func TestWrongDestinationsAreRefusedWithoutTheirSecrets(t *testing.T) {
	for config, want := range map[string]string{
		`{"a": {"folder": "reports"}}`:                              "want an absolute path",
		`{"a": {"folder": "/nowhere/at/all"}}`:                      "it must be there",
		`{"a": {"folder": "/tmp", "bucket": "b"}}`:                  "not both",
		`{"a": {"bucket": "b"}}`:                                    "want folder, or endpoint and bucket",
		`{"a": {"endpoint": "objects.example.com", "bucket": "b"}}`: "want an address such as https://",
		`{"a": {"endpoint": "http://objects.example.com", "bucket": "b", "access_key": "a", "secret_key": "sesame"}}`:                    "http sends files in the clear",
		`{"a": {"endpoint": "https://objects.example.com", "bucket": "b", "access_key": "a"}}`:                                           "secret_key",
		`{"a": {"endpoint": "https://objects.example.com", "bucket": "b", "access_key": "a", "secret_key": "sesame", "prefix": "../b"}}`: "prefix",
		`{"a": {"folder": "/tmp", "secretKey": "sesame"}}`:                                                                               "unknown field",
		`{"a": {"secret_key": ["sesame"]}}`: "secret_key is not a string",
		`{"../a": {"folder": "/tmp"}}`:      "want a name",
		`sesame`:                            "destinations:",
	} {
		if _, err := destination.Read(config); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "sesame") {
			t.Errorf("%s: %v, want %q", config, err, want)
		}
	}
}

func TestAnOrganisationMayUseThePlacesThatNameIt(t *testing.T) {
	set, err := destination.Read(fmt.Sprintf(`{"all": {"folder": %[1]q}, "ours": {"folder": %[1]q, "organisations": ["harbor"]}}`, t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	defer set.Close()
	if got := set.Of("harbor"); len(got) != 2 {
		t.Errorf("%v", got)
	}
	if got := set.Of("rival"); len(got) != 1 || got[0].Name != "all" || got[0].Kind != destination.Folder {
		t.Errorf("%v", got)
	}
	if _, err := set.For("rival", "ours"); !errors.Is(err, destination.ErrUnknown) {
		t.Errorf("%v", err)
	}
}
