package services_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"creepage/internal/store"
	"creepage/internal/webhook"
)

// example is a request of a document and what its answer holds.
var exampleBlocks = regexp.MustCompile("(?s)```\n((?:GET|POST|PUT) [^\n]*)\n(.*?)```\n\n```(?:json|text)\n(.*?)```")

// pythonBlocks are programs of a document.
var pythonBlocks = regexp.MustCompile("(?s)```python\n(.*?)```")

func TestEveryExampleOfTheDocumentIsAnsweredAsItSays(t *testing.T) {
	text, err := os.ReadFile("../docs/api.md")
	must(t, err)
	blocks := exampleBlocks.FindAllStringSubmatch(string(text), -1)
	if fences := strings.Count(string(text), "```"); len(blocks) < 9 || fences != 4*len(blocks)+2*len(pythonBlocks.FindAll(text, -1)) {
		t.Fatalf("%d examples in %d fences: each request needs its answer", len(blocks), fences)
	}
	s := start(t)
	s.work(t)
	for _, b := range blocks {
		verb, path, _ := strings.Cut(b[1], " ")
		if strings.HasPrefix(path, "/v1/warnings:watch") {
			s.checkWatchExample(t, path, b[3])
			continue
		}
		_, _, answer := s.rest(t, verb, path, s.adminKey, b[2])
		var got, want any
		if err := json.Unmarshal([]byte(b[3]), &want); err != nil {
			t.Fatalf("the answer to %s is not JSON: %v", b[1], err)
		}
		if err := json.Unmarshal([]byte(answer), &got); err != nil {
			t.Fatalf("%s: %s", b[1], answer)
		}
		if missing := lacks(got, want, ""); missing != "" {
			t.Errorf("%s is answered without %s:\n%s", b[1], missing, answer)
		}
		s.committed(t)
	}
}

// The table of reasons names every one that the code gives, with its HTTP status,
// and none that it does not.
func TestTheTableOfReasonsIsThatOfTheCode(t *testing.T) {
	text, err := os.ReadFile("../docs/api.md")
	must(t, err)
	_, table, _ := strings.Cut(string(text), "| reason | HTTP |")
	table, _, _ = strings.Cut(table, "\n\n")
	named := regexp.MustCompile("`([A-Z_]{4,})`").FindAllStringSubmatch(regexp.MustCompile(`(?m)^\| ([^|]*)\|.*$`).ReplaceAllString(table, "$1"), -1)
	status := map[string]string{"Denied": "403", "Unauthenticated": "401", "Precondition": "400", "Exhausted": "429", "Unavailable": "503"}
	made := regexp.MustCompile(`\b(Denied|Unauthenticated|Precondition|Exhausted|Unavailable|Unimplemented)\("([A-Z_]{4,})"|Reason(?: ?:| =) "([A-Z_]{4,})"`)
	var sources strings.Builder
	for _, dir := range []string{"../internal/problem", "../internal/server", "."} {
		must(t, filepath.WalkDir(dir, func(path string, _ os.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.Contains(path, "board") {
				return err
			}
			source, err := os.ReadFile(path)
			sources.Write(source)
			return err
		}))
	}
	for _, m := range made.FindAllStringSubmatch(sources.String(), -1) {
		reason := m[2] + m[3]
		row := regexp.MustCompile("(?m)^\\| [^|]*`" + reason + "`[^|]*\\| ([^|]*) \\|").FindStringSubmatch(table)
		if want := status[m[1]]; row == nil || want != "" && row[1] != want {
			t.Errorf("%s (HTTP %s) stands in the table as %q", reason, want, row)
		}
	}
	for _, m := range named {
		if !strings.Contains(sources.String(), `"`+m[1]+`"`) {
			t.Errorf("the table names %s, which the code never gives", m[1])
		}
	}
}

// lacks returns where an answer does not hold what is wanted: objects may hold
// more, lists may not.
func lacks(got, want any, path string) string {
	switch w := want.(type) {
	case map[string]any:
		g, _ := got.(map[string]any)
		for key, value := range w {
			if missing := lacks(g[key], value, path+"."+key); missing != "" {
				return missing
			}
		}
		return ""
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) != len(w) {
			return fmt.Sprintf("%s of %d elements", path, len(w))
		}
		for i := range w {
			if missing := lacks(g[i], w[i], fmt.Sprintf("%s[%d]", path, i)); missing != "" {
				return missing
			}
		}
		return ""
	}
	if got != want {
		return fmt.Sprintf("%s being %v (it is %v)", path, want, got)
	}
	return ""
}

// checkWatchExample holds the first event of a stream against an example in
// which … stands for anything.
func (s *system) checkWatchExample(t *testing.T, path, want string) {
	t.Helper()
	vehicle := s.vehicle(t, s.organisation, "loader-4")
	must(t, s.db.Store(t, store.WorkerLogin).AsWorker(t.Context(), func(tx *store.WorkerTx) error { return raise(t.Context(), tx, s.organisation, vehicle, 12) }))
	pattern := strings.ReplaceAll(regexp.QuoteMeta(strings.TrimSpace(want)), "…", ".+")
	must(t, s.events(s.adminKey, strings.TrimPrefix(path, "/v1/warnings:watch"), "", func(e event) bool {
		if e.data == "" {
			return true
		}
		got := "id: " + e.id + "\nevent: " + e.name + "\ndata: " + e.data
		if !regexp.MustCompile("^" + pattern + "$").MatchString(got) {
			t.Errorf("%s tells\n%s\nwant\n%s", path, got, want)
		}
		return false
	}))
}

// The document's program is run on a message as it is sent.
func TestTheDocumentsProgramVerifiesAMessage(t *testing.T) {
	text, err := os.ReadFile("../docs/api.md")
	must(t, err)
	blocks := pythonBlocks.FindAllStringSubmatch(string(text), -1)
	if len(blocks) != 1 {
		t.Fatalf("%d programs in Python", len(blocks))
	}
	type sent struct {
		Secret  string            `json:"secret"`
		Headers map[string]string `json:"headers"`
		Body    string            `json:"body"`
	}
	secret := webhook.NewSecret()
	var good sent
	receiver := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		good = sent{Secret: secret, Headers: map[string]string{}, Body: string(body)}
		for name := range r.Header {
			good.Headers[strings.ToLower(name)] = r.Header.Get(name)
		}
	}))
	defer receiver.Close()
	send := func(at time.Time) {
		body, err := webhook.Payload("warning.raised", at, []byte(`{"reason": "the motor fälls"}`))
		must(t, err)
		must(t, webhook.NewSender(inside).Send(t.Context(), webhook.Message{ID: "msg_1", URL: receiver.URL, Secrets: []string{webhook.NewSecret(), secret}, Body: body}, at))
	}
	send(time.Now().Add(-time.Hour))
	old := good
	send(time.Now())
	other, changed := good, good
	other.Secret, changed.Body = webhook.NewSecret(), good.Body+" "
	input, err := json.Marshal([]sent{good, old, other, changed})
	must(t, err)
	program := exec.CommandContext(t.Context(), "python3", "-c", blocks[0][1]+`
import json, sys
print([verify(m["secret"], m["headers"], m["body"].encode()) for m in json.load(sys.stdin)])`)
	program.Stdin = bytes.NewReader(input)
	out, err := program.CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != "[True, False, False, False]" {
		t.Errorf("a good, an old, another's and a changed message are verified as %s (%v)", out, err)
	}
}
