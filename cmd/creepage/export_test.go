package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// reports stands for the service: a file, its description, and what goes wrong.
func reports(t *testing.T, file func(w http.ResponseWriter, r *http.Request)) (server, key string) {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Creepage-As-Of", "2026-03-02T12:00:00Z")
		if r.URL.Query().Get("format") == "csvw" {
			_, _ = w.Write([]byte(`{"url": "readings.csv", "dc:source": "/v1/a?b&c"}`))
			return
		}
		file(w, r)
	}))
	t.Cleanup(s.Close)
	key = filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(key, []byte("ck_x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return s.URL, key
}

func filesIn(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return strings.Join(list, " ")
}

func TestAnExportWritesTheFileAndItsDescriptionAsOfOneTime(t *testing.T) {
	var asked string
	server, key := reports(t, func(w http.ResponseWriter, r *http.Request) {
		asked = r.URL.RequestURI()
		_, _ = w.Write([]byte("a,b\r\n1,2\r\n"))
	})
	dir := t.TempDir()
	out := filepath.Join(dir, "mine.csv")
	_, messages, code := run(t, "export", "readings", "--out", out, "--server", server, "--key-file", key, "--filter", "component = MOTOR", "--from", "2026-01-01")
	if code != 0 || filesIn(t, dir) != "mine.csv mine.csv-metadata.json" {
		t.Fatalf("%d %s: %s", code, messages, filesIn(t, dir))
	}
	if want := "/v1/reports/readings:download?asOfTime=2026-03-02T12%3A00%3A00Z&filter=component+%3D+MOTOR&format=csv&startTime=2026-01-01T00%3A00%3A00Z"; asked != want {
		t.Errorf("asked %s, want %s", asked, want)
	}
	text, err := os.ReadFile(out + "-metadata.json")
	var doc map[string]string
	if err != nil || json.Unmarshal(text, &doc) != nil || doc["url"] != "mine.csv" || doc["dc:source"] != "/v1/a?b&c" {
		t.Errorf("%v %s", err, text)
	}
}

func TestAnExportThatBreaksOffLeavesNothingBehind(t *testing.T) {
	server, key := reports(t, func(w http.ResponseWriter, _ *http.Request) {
		_, _ = w.Write([]byte("a,b\r\n"))
		_ = http.NewResponseController(w).Flush()
		panic(http.ErrAbortHandler)
	})
	dir := t.TempDir()
	_, messages, code := run(t, "export", "readings", "--as", "parquet", "--out", filepath.Join(dir, "x.parquet"), "--server", server, "--key-file", key)
	if code != exitFailed || !strings.Contains(messages, "broke off after 5 bytes") || !strings.Contains(messages, "nothing was left behind") || filesIn(t, dir) != "" {
		t.Errorf("%d %q, files %q", code, messages, filesIn(t, dir))
	}
}

func TestAnInterruptedExportLeavesNothingBehind(t *testing.T) {
	ctx, interrupt := context.WithCancel(t.Context())
	server, key := reports(t, func(w http.ResponseWriter, r *http.Request) {
		_, _ = w.Write([]byte("a,b\r\n"))
		_ = http.NewResponseController(w).Flush()
		interrupt()
		<-r.Context().Done()
	})
	dir := t.TempDir()
	root := rootCommand()
	root.SetArgs([]string{"export", "readings", "--as", "jsonl", "--out", filepath.Join(dir, "x.jsonl"), "--server", server, "--key-file", key})
	if err := root.ExecuteContext(ctx); err == nil || filesIn(t, dir) != "" {
		t.Errorf("%v, files %q", err, filesIn(t, dir))
	}
}

func TestAnExportNamesTheFlagThatIsWrong(t *testing.T) {
	server, key := reports(t, func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusBadRequest)
		_, _ = w.Write([]byte(`{"code":3,"message":"format: \"docx\" is none","details":[{"@type":"type.googleapis.com/google.rpc.BadRequest","fieldViolations":[{"field":"format","description":"\"docx\" is none of csv, xlsx"}]}]}`))
	})
	for _, c := range []struct{ args, want string }{
		{"--as docx --out x.docx", `--as: "docx" is none of csv, xlsx`},
		{"--as-of yesterday", `--as-of "yesterday": want a day such as 2026-03-02`},
	} {
		_, messages, code := run(t, append([]string{"export", "readings", "--server", server, "--key-file", key}, strings.Fields(c.args)...)...)
		if code != exitUsage || !strings.Contains(messages, c.want) || strings.Contains(messages, "the same command again") { // which would meet the same
			t.Errorf("%s: %d %q", c.args, code, messages)
		}
	}
}

// The rows of a direct export that breaks off come again as of the same time;
// what is there already is not written twice.
func TestAnExportThatBreaksOffGoesOnByItself(t *testing.T) {
	const file = "a,b\r\n1,2\r\n3,4\r\n"
	for format, changed := range map[string]bool{"csv": false, "jsonl": true, "parquet": false} {
		tries := 0
		server, key := reports(t, func(w http.ResponseWriter, r *http.Request) {
			if tries++; tries == 1 {
				_, _ = w.Write([]byte(file[:7]))
				_ = http.NewResponseController(w).Flush()
				panic(http.ErrAbortHandler)
			}
			if asOf := r.URL.Query().Get("asOfTime"); asOf != "2026-03-02T12:00:00Z" {
				t.Errorf("asked again as of %q", asOf)
			}
			text := file
			if changed {
				text = strings.ToUpper(file)
			}
			_, _ = w.Write([]byte(text))
		})
		dir := t.TempDir()
		out := filepath.Join(dir, "x."+format)
		_, messages, code := run(t, "export", "readings", "--out", out, "--server", server, "--key-file", key)
		if changed {
			if code != exitFailed || !strings.Contains(messages, "is another one by now") || filesIn(t, dir) != "" {
				t.Errorf("%s: %d %q, files %q", format, code, messages, filesIn(t, dir))
			}
			continue
		}
		text, err := os.ReadFile(out)
		if code != 0 || err != nil || string(text) != file || !strings.Contains(messages, "broke off after 7 bytes") {
			t.Errorf("%s: %d %q, %q %v", format, code, messages, text, err)
		}
	}
}

// ahead stands for a service that has made a file ahead, and breaks its transfer
// off after so many bytes for as long as it is told to.
func ahead(t *testing.T, file string, breaks *int) (server, key string, ranges *[]string) {
	t.Helper()
	ranges = new([]string)
	sum := sha256.Sum256([]byte(file))
	run := `{"name": "reportSchedules/s/runs/r", "state": "MADE", "format": "jsonl", "path": "daily/x.jsonl", "sizeBytes": "` + strconv.Itoa(len(file)) + `", "sha256": "` + hex.EncodeToString(sum[:]) + `", "asOfTime": "2026-03-02T00:00:00Z"}`
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case strings.HasSuffix(r.URL.Path, "/runs"):
			_, _ = w.Write([]byte(`{"runs": [` + run + `]}`))
		case strings.HasSuffix(r.URL.Path, "/runs/r"):
			_, _ = w.Write([]byte(run))
		default:
			*ranges = append(*ranges, r.Header.Get("Range"))
			w.Header().Set("ETag", `"`+hex.EncodeToString(sum[:])+`"`)
			if *breaks > 0 {
				*breaks--
				http.ServeContent(&torn{ResponseWriter: w, left: 100}, r, "", time.Time{}, strings.NewReader(file))
				panic(http.ErrAbortHandler)
			}
			http.ServeContent(w, r, "", time.Time{}, strings.NewReader(file))
		}
	}))
	t.Cleanup(s.Close)
	key = filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(key, []byte("ck_x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return s.URL, key, ranges
}

// torn passes on so many bytes and no more.
type torn struct {
	http.ResponseWriter
	left int
}

func (w *torn) Write(b []byte) (int, error) {
	n := min(w.left, len(b))
	w.left -= n
	_, _ = w.ResponseWriter.Write(b[:n])
	_ = http.NewResponseController(w.ResponseWriter).Flush()
	if n < len(b) {
		return n, io.ErrShortWrite
	}
	return n, nil
}

func TestAFileMadeAheadIsFetchedInParts(t *testing.T) {
	file := strings.Repeat("0123456789", 35)
	breaks := 2
	server, key, ranges := ahead(t, file, &breaks)
	dir := t.TempDir()
	out := filepath.Join(dir, "x.jsonl")
	_, messages, code := run(t, "export", "reportSchedules/s", "--out", out, "--server", server, "--key-file", key)
	text, err := os.ReadFile(out)
	if code != 0 || err != nil || string(text) != file || filesIn(t, dir) != "x.jsonl" || strings.Join(*ranges, " ") != " bytes=100- bytes=200-" {
		t.Fatalf("%d %q %v, files %q, asked for %q", code, messages, err, filesIn(t, dir), *ranges)
	}
	// What another start of the command has brought is used, if it is of this file.
	if err := os.Remove(out); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte(file))
	begun := out + "." + hex.EncodeToString(sum[:])[:16] + ".part"
	for _, kept := range []string{file[:120], strings.Repeat("x", 120)} {
		if err := os.WriteFile(begun, []byte(kept), 0o600); err != nil {
			t.Fatal(err)
		}
		*ranges = nil
		_, messages, code = run(t, "export", "reportSchedules/s/runs/r", "--out", out, "--server", server, "--key-file", key)
		if (*ranges)[0] != "bytes=120-" {
			t.Errorf("asked for %q", *ranges)
		}
		if kept == file[:120] {
			if text, err := os.ReadFile(out); code != 0 || err != nil || string(text) != file {
				t.Errorf("%d %q %v", code, messages, err)
			}
		} else if code != exitFailed || !strings.Contains(messages, "was thrown away") || filesIn(t, dir) != "x.jsonl" {
			t.Errorf("a beginning of other bytes: %d %q, files %q", code, messages, filesIn(t, dir))
		}
	}
	if _, messages, code := run(t, "export", "reportSchedules/s", "--filter", "a = b", "--server", server, "--key-file", key); code != exitUsage || !strings.Contains(messages, "as its schedule has it") {
		t.Errorf("%d %q", code, messages)
	}
}

func TestAFetchThatIsStoppedKeepsWhatHasCome(t *testing.T) {
	file, breaks := strings.Repeat("0123456789", 35), 100
	server, key, _ := ahead(t, file, &breaks)
	dir := t.TempDir()
	ctx, interrupt := context.WithCancel(t.Context())
	interrupt()
	root := rootCommand()
	out := filepath.Join(dir, "x.jsonl")
	root.SetArgs([]string{"export", "reportSchedules/s/runs/r", "--out", out, "--server", server, "--key-file", key})
	if err := root.ExecuteContext(ctx); err == nil {
		t.Error("a stopped command succeeded")
	}
	breaks = 3 // 300 of 350 bytes, each time a hundred more
	if _, messages, code := run(t, "export", "reportSchedules/s/runs/r", "--out", out, "--server", server, "--key-file", key); code != 0 {
		t.Errorf("%d %q", code, messages)
	}
}
