package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"creepage/internal/app"
	"creepage/internal/client"
	"creepage/internal/server"
)

// example is a block of code in a document.
type example struct {
	file, language, text string
	line                 int
}

// documents are those whose examples are executed.
func documents(t *testing.T) []string {
	t.Helper()
	docs, err := filepath.Glob("../../docs/*.md")
	if err != nil {
		t.Fatal(err)
	}
	return append([]string{"../../README.md"}, docs...)
}

func examplesOf(t *testing.T, file string) []example {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var out []example
	var open *example
	for i, line := range strings.Split(string(b), "\n") {
		switch {
		case open == nil && strings.HasPrefix(line, "```"):
			open = &example{file: filepath.Base(file), language: strings.TrimPrefix(line, "```"), line: i + 1}
		case open != nil && strings.HasPrefix(line, "```"):
			out = append(out, *open)
			open = nil
		case open != nil:
			open.text += line + "\n"
		}
	}
	if open != nil {
		t.Fatalf("%s:%d: a block of code is not closed", file, open.line)
	}
	return out
}

// demoService starts everything with the demo fleet, in this process, on free ports.
func demoService(t *testing.T) (p *app.Process, data string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "creepage-docs-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil { // the database's account walks through it
		t.Fatal(err)
	}
	data = filepath.Join(dir, "data")
	p, err = app.StartUp(t.Context(), app.UpConfig{
		Common: app.Common{Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), Clock: time.Now},
		Data:   data, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0", Server: server.Config{},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := p.Stop(ctx); err != nil {
			t.Error(err)
		}
		if err := p.Stop(ctx); err != nil {
			t.Errorf("stopped a second time: %v", err)
		}
	})
	return p, data
}

func loadDemo(t *testing.T, p *app.Process, data string) *client.Client {
	t.Helper()
	key, err := os.ReadFile(app.KeyFile(data))
	if err != nil {
		t.Fatal(err)
	}
	c, err := client.New("http://"+p.HTTP, string(key))
	if err != nil {
		t.Fatal(err)
	}
	if err := app.LoadDemo(t.Context(), c, data, time.Now(), nil); err != nil {
		t.Fatal(err)
	}
	return c
}

// TestEveryExampleOfTheDocumentsRuns runs every block marked sh as it stands, in
// order, in one shell session a document; only addresses, the data folder and
// the program's path are those of the test.
func TestEveryExampleOfTheDocumentsRuns(t *testing.T) {
	p, data := demoService(t)
	loadDemo(t, p, data)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	if err := p.Settled(ctx); err != nil {
		t.Fatal(err)
	}
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	bin := filepath.Join(t.TempDir(), "creepage")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", bin, "creepage/cmd/creepage").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	here := strings.NewReplacer("http://127.0.0.1:8080", "http://"+p.HTTP, "127.0.0.1:9090", p.GRPC, "data/demo/admin.key", app.KeyFile(data),
		"bin/creepage", bin, "testdata/demo", filepath.Join(root, "testdata", "demo"), "make ", "make -n -C "+root+" ")
	for _, file := range documents(t) {
		script := "set -e\n"
		count := 0
		for _, e := range examplesOf(t, file) {
			if e.language != "sh" {
				continue
			}
			count++
			script += fmt.Sprintf("echo '### %s:%d'\n%s", e.file, e.line, here.Replace(e.text))
		}
		// curl reports refusals of the service by its exit code.
		script = regexp.MustCompile(`curl -s `).ReplaceAllString(script, "curl -sS --fail-with-body ")
		cmd := exec.CommandContext(t.Context(), "bash", "-c", script)
		cmd.Dir = t.TempDir()
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Errorf("%s: %v\n%s", file, err, tail(out))
		}
		if file == "../../README.md" {
			checkReadme(t, string(out), count)
		}
	}
}

// checkReadme checks that the README's examples did what its text says.
func checkReadme(t *testing.T, out string, examples int) {
	t.Helper()
	if examples < 8 {
		t.Errorf("%d examples: were they found?", examples)
	}
	for _, want := range []string{
		`"state":`, `"reason":`, // outlooks
		`"kind":`,    // warnings
		`"openapi":`, // the contract
		`"secret":`,  // a key, shown once
		`"ACCEPTED"`, `"REJECTED"`, "resistance_ohms",
		"vehicles/truck-17/outlook",
		"2 readings: 2 accepted, 0 known already, 0 refused",
		"whose local time is this", // the proposal
		"isolation codes:",         // the backtest's summary
	} {
		if !strings.Contains(strings.ReplaceAll(out, `": `, `":`), strings.ReplaceAll(want, `": `, `":`)) {
			t.Errorf("the examples' output lacks %q", want)
		}
	}
	if t.Failed() {
		t.Logf("output:\n%s", tail([]byte(out)))
	}
}

func tail(b []byte) []byte { return b[max(0, len(b)-2500):] }

// TestTheGoExampleOfTheReadmeRuns runs the README's Go example as it stands, in a
// module of its own that finds this one as the README says.
func TestTheGoExampleOfTheReadmeRuns(t *testing.T) {
	p, data := demoService(t)
	loadDemo(t, p, data)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	if err := p.Settled(ctx); err != nil {
		t.Fatal(err)
	}
	key, err := os.ReadFile(app.KeyFile(data))
	if err != nil {
		t.Fatal(err)
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	edit := regexp.MustCompile("`go (mod edit [^`]*)`").FindSubmatch(readme)
	if edit == nil {
		t.Fatal("the README does not say how a module finds this one")
	}
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	versions, err := os.ReadFile("../../go.mod") // those of its libraries: nothing is fetched
	if err != nil {
		t.Fatal(err)
	}
	sums, err := os.ReadFile("../../go.sum")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"main.go": strings.ReplaceAll(readmeExample(t, "go"), "127.0.0.1:9090", p.GRPC), "go.sum": string(sums),
		"go.mod": strings.Replace(string(versions), "module creepage", "module shopsystem", 1)} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	run := func(args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "go", args...)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "KEY="+strings.TrimSpace(string(key)))
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("go %v: %v\n%s", args, err, out)
		}
		return string(out)
	}
	run(strings.Fields(strings.ReplaceAll(string(edit[1]), "../creepage", root))...)
	if out := run("run", "-mod=mod", "."); !strings.Contains(out, "vehicles/") {
		t.Errorf("it printed %q", out)
	}
}

// TestEveryPathOfTheDocumentsIsThere checks the files that the documents name.
func TestEveryPathOfTheDocumentsIsThere(t *testing.T) {
	named := regexp.MustCompile("`((?:internal|services|worker|cmd|proto|migrations|deploy|testdata|docs|api)/[A-Za-z0-9_./-]*)`|\\]\\(([A-Za-z][A-Za-z0-9_./-]*)\\)")
	for _, doc := range append(documents(t), "../../DEVELOPERS.md", "../../CHANGELOG.md") {
		b, err := os.ReadFile(doc)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range named.FindAllStringSubmatch(string(b), -1) {
			path := m[1] + m[2]
			if strings.Contains(path, "NNNN") || strings.HasSuffix(path, "/v1.") {
				continue
			}
			if _, err := os.Stat(filepath.Join("../..", path)); err != nil {
				t.Errorf("%s names %s, which is not there", filepath.Base(doc), path)
			}
		}
	}
}
