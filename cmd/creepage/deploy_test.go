package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"creepage/internal/destination"
)

// yamlDocuments parses every document of a YAML file.
func yamlDocuments(t *testing.T, path string) []map[string]any {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d := yaml.NewDecoder(f)
	var docs []map[string]any
	for {
		var doc map[string]any
		err := d.Decode(&doc)
		if errors.Is(err, io.EOF) {
			return docs
		}
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		docs = append(docs, doc)
	}
}

// commandLines are the program's command lines in a YAML document: lists under
// "command" or "args" that begin with the name of a command.
func commandLines(node any, found *[][]string) {
	switch n := node.(type) {
	case map[string]any:
		for key, value := range n {
			if list, ok := value.([]any); ok && (key == "command" || key == "args") {
				var line []string
				for _, v := range list {
					if s, ok := v.(string); ok {
						line = append(line, s)
					}
				}
				if len(line) > 0 && isCommand(line[0]) {
					*found = append(*found, line)
				}
			}
			commandLines(value, found)
		}
	case []any:
		for _, v := range n {
			commandLines(v, found)
		}
	}
}

func isCommand(name string) bool {
	for _, c := range rootCommand().Commands() {
		if c.Name() == name {
			return true
		}
	}
	return false
}

func TestDeployedCommandLinesAreThoseOfTheProgram(t *testing.T) {
	var lines [][]string
	for _, path := range []string{"../../deploy/compose.yaml", "../../deploy/kubernetes/creepage.yaml"} {
		docs := yamlDocuments(t, path)
		before := len(lines)
		for _, d := range docs {
			commandLines(d, &lines)
		}
		if len(lines) < before+3 {
			t.Errorf("%s: %d command lines, want migrate, serve and work", path, len(lines)-before)
		}
	}
	unit, err := os.ReadFile("../../deploy/systemd/creepage.service")
	if err != nil {
		t.Fatal(err)
	}
	_, start, found := strings.Cut(string(unit), "ExecStart=/usr/local/bin/creepage ")
	if !found {
		t.Fatal("the systemd unit starts nothing")
	}
	start, _, _ = strings.Cut(start, "\n")
	lines = append(lines, strings.Fields(start))
	for _, line := range lines {
		cmd, rest, err := rootCommand().Find(line)
		if err != nil {
			t.Errorf("%v: %v", line, err)
			continue
		}
		if err := cmd.ParseFlags(rest); err != nil || cmd.Flags().NArg() > 0 {
			t.Errorf("%v: %v, left over %v", line, err, cmd.Flags().Args())
		}
	}
}

func TestDeployedEnvironmentIsWhatTheProgramReads(t *testing.T) {
	source := ""
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range append(files, "../../internal/local/binaries.go") {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		source += string(b)
	}
	variable := regexp.MustCompile(`CREEPAGE_[A-Z_]+`)
	for _, path := range []string{"../../deploy/compose.yaml", "../../deploy/kubernetes/creepage.yaml", "../../README.md", "../../deploy/setup/postgres.sh"} {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range variable.FindAllString(string(b), -1) {
			if base := strings.TrimSuffix(name, "_FILE"); !strings.Contains(source, `"`+base+`"`) {
				t.Errorf("%s sets %s, which the program does not read", path, name)
			}
		}
	}
}

// Where reports go is a setting that the program takes, the same for those that
// make files and those that read them.
func TestDeployedDestinationsOfReportsAreOnesThatTheProgramTakes(t *testing.T) {
	compose := yamlDocuments(t, "../../deploy/compose.yaml")[0]
	services := compose["services"].(map[string]any)
	var seen []string
	for _, name := range []string{"serve", "work"} {
		service := services[name].(map[string]any)
		places, _ := service["environment"].(map[string]any)["CREEPAGE_REPORT_DESTINATIONS"].(string)
		seen = append(seen, places)
		mounted := fmt.Sprint(service["volumes"])
		if !strings.Contains(mounted, "reports:/reports") {
			t.Errorf("%s has the volumes %s, and reports go to %s", name, mounted, places)
		}
	}
	if seen[0] != seen[1] {
		t.Errorf("serve is told %s, work %s", seen[0], seen[1])
	}
	kubernetes, err := os.ReadFile("../../deploy/kubernetes/creepage.yaml")
	if err != nil {
		t.Fatal(err)
	}
	store := regexp.MustCompile(`(?m)^# (\{"lake".*\}\}),$`).FindSubmatch(kubernetes)
	if store == nil || strings.Count(string(kubernetes), "{key: report-destinations, path: report-destinations}") != 2 || strings.Count(string(kubernetes), "CREEPAGE_REPORT_DESTINATIONS_FILE, value: /secrets/report-destinations") != 2 {
		t.Fatalf("Kubernetes: serve and work are not both told where reports go, or no example says how")
	}
	for what, text := range map[string]string{"compose": strings.ReplaceAll(seen[0], "/reports", t.TempDir()), "kubernetes": string(store[1]), "none": "{}"} {
		set, err := destination.Read(text)
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if n := len(set.Of("harbor")); (n != 1) != (what == "none") {
			t.Errorf("%s names %d places", what, n)
		}
		if err := set.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestAlertsAskForMetricsThatThereAre(t *testing.T) {
	p, data := demoService(t)
	loadDemo(t, p, data)
	resp, err := http.Get("http://" + p.HTTP + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	served, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	metric := regexp.MustCompile(`creepage_[a-z_]+`)
	alerts := 0
	for _, doc := range yamlDocuments(t, "../../deploy/prometheus/rules.yaml") {
		for _, group := range doc["groups"].([]any) {
			for _, rule := range group.(map[string]any)["rules"].([]any) {
				r := rule.(map[string]any)
				alerts++
				if r["annotations"].(map[string]any)["action"] == nil {
					t.Errorf("%v does not say what to do", r["alert"])
				}
				for _, name := range metric.FindAllString(r["expr"].(string), -1) {
					if !bytes.Contains(served, []byte("\n"+name)) {
						t.Errorf("%v asks for %s, which is not served", r["alert"], name)
					}
				}
			}
		}
	}
	if alerts < 5 {
		t.Errorf("%d alerts", alerts)
	}
}

func TestSetupScriptsParse(t *testing.T) {
	scripts, err := filepath.Glob("../../deploy/*/*.sh")
	if err != nil {
		t.Fatal(err)
	}
	if len(scripts) < 4 {
		t.Fatalf("%d scripts", len(scripts))
	}
	for _, s := range append(scripts, "../../.ci/run") {
		if out, err := exec.CommandContext(t.Context(), "bash", "-n", s).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", s, err, out)
		}
	}
}
