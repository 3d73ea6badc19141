package main

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
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
		if code != exitUsage || !strings.Contains(messages, c.want) {
			t.Errorf("%s: %d %q", c.args, code, messages)
		}
	}
}
