package services_test

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
)

// example is a request of a document and what its answer holds.
var exampleBlocks = regexp.MustCompile("(?s)```\n((?:GET|POST|PUT) [^\n]*)\n(.*?)```\n\n```json\n(.*?)```")

func TestEveryExampleOfTheDocumentIsAnsweredAsItSays(t *testing.T) {
	text, err := os.ReadFile("../docs/api.md")
	must(t, err)
	blocks := exampleBlocks.FindAllStringSubmatch(string(text), -1)
	if fences := strings.Count(string(text), "```"); len(blocks) < 9 || fences != 4*len(blocks) {
		t.Fatalf("%d examples in %d fences: each request needs its answer", len(blocks), fences)
	}
	s := start(t)
	s.work(t)
	for _, b := range blocks {
		verb, path, _ := strings.Cut(b[1], " ")
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
