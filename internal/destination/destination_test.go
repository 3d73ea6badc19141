package destination_test

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

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

// unchunked is the body of a request whose pieces are signed one by one, as is
// done where no TLS protects them: hexadecimal size, ";chunk-signature=" and 64
// digits, a line end, the piece, a line end; the last one is empty (Amazon S3 API
// reference, "Signature calculations: transferring payload in multiple chunks").
func unchunked(r io.Reader) ([]byte, error) {
	lines := bufio.NewReader(r)
	var body []byte
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			return nil, err
		}
		size, signature, _ := strings.Cut(strings.TrimSuffix(line, "\r\n"), ";chunk-signature=")
		n, err := strconv.ParseInt(size, 16, 32)
		if err != nil || len(signature) != 64 {
			return nil, fmt.Errorf("piece %q: %w", line, err)
		}
		piece := make([]byte, n+2)
		if _, err := io.ReadFull(lines, piece); err != nil {
			return nil, err
		}
		if n == 0 {
			return body, nil
		}
		body = append(body, piece[:n]...)
	}
}

// A store without TLS, on the operator's own network. The in-process one reads
// signed pieces of whole files and not of parts, so those are read here.
func TestAFileGoesToAStoreOverPlainHTTPWhereItIsAllowed(t *testing.T) {
	bucket := s3mem.New()
	if err := bucket.CreateBucket("fleet"); err != nil {
		t.Fatal(err)
	}
	faked := gofakes3.New(bucket).Server()
	pieces := 0
	s3 := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPut && r.URL.Query().Has("partNumber") && r.Header.Get("X-Amz-Content-Sha256") == "STREAMING-AWS4-HMAC-SHA256-PAYLOAD" {
			body, err := unchunked(r.Body)
			if err != nil || strconv.Itoa(len(body)) != r.Header.Get("X-Amz-Decoded-Content-Length") {
				http.Error(w, fmt.Sprintf("%d bytes, %v", len(body), err), http.StatusBadRequest)
				return
			}
			r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
			r.Header.Set("Content-Length", strconv.Itoa(len(body)))
			pieces++
		}
		faked.ServeHTTP(w, r)
	}))
	t.Cleanup(s3.Close)
	set, err := destination.Read(fmt.Sprintf(`{"lake": {"endpoint": %q, "insecure": true, "bucket": "fleet", "region": "eu-1", "access_key": "a", "secret_key": "b"}}`, s3.URL))
	if err != nil {
		t.Fatal(err)
	}
	p, err := set.For("harbor", "lake")
	if err != nil {
		t.Fatal(err)
	}
	want := bytes.Repeat([]byte("0123456789abcdef"), 20<<16) // 20 MiB: two parts
	if err := p.Put(t.Context(), "big.bin", "run", "1", func(w io.Writer) error { _, err := w.Write(want); return err }, sure); err != nil {
		t.Fatal(err)
	}
	f, err := p.Open(t.Context(), "big.bin")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if got, err := io.ReadAll(f); err != nil || !bytes.Equal(got, want) || pieces != 2 {
		t.Errorf("%d bytes came back of %d, in %d parts, %v", len(got), len(want), pieces, err)
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

// What was killed and never gone on with, for its run was given up or deleted.
func TestWhatNobodyWritesToIsForgottenInTime(t *testing.T) {
	set, folder, _ := places(t)
	dir := filepath.Join(folder, "harbor", "daily")
	if err := os.MkdirAll(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	const run = "01a21f5c-502b-767e-ae98-24d4c98b8396"
	now := time.Now()
	for name, age := range map[string]time.Duration{".old.csv." + run + ".1.part": 25 * time.Hour, ".new.csv." + run + ".2.part": time.Hour,
		"old.csv": 25 * time.Hour, ".old.csv.part": 25 * time.Hour, ".hidden": 25 * time.Hour} {
		file := filepath.Join(dir, name)
		if err := errors.Join(os.WriteFile(file, []byte("x"), 0o600), os.Chtimes(file, now.Add(-age), now.Add(-age))); err != nil {
			t.Fatal(err)
		}
	}
	if err := set.Forget(t.Context(), now.Add(-24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(dir)
	var left []string
	for _, e := range entries {
		left = append(left, e.Name())
	}
	if got, want := strings.Join(left, " "), ".hidden .new.csv."+run+".2.part .old.csv.part old.csv"; err != nil || got != want {
		t.Errorf("left %s, %v; want %s", got, err, want)
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
