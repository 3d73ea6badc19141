package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"creepage/internal/app"
)

// TestTheTypeScriptClientIsBuiltAndWorks compiles api/typescript with the pinned
// compiler, runs its tests with node against the real service, and then the
// README's TypeScript example as it stands.
func TestTheTypeScriptClientIsBuiltAndWorks(t *testing.T) {
	p, data := demoService(t)
	key, err := os.ReadFile(app.KeyFile(data))
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), "../../api/typescript/install.sh").Output()
	if err != nil {
		t.Fatalf("the pinned tools were not installed: %v\n%s", err, stderrOf(err))
	}
	tools := strings.TrimSpace(string(out))
	dir := t.TempDir()
	for _, part := range []string{"src", "test", "tsconfig.json", "package.json"} {
		if out, err := exec.CommandContext(t.Context(), "cp", "-r", filepath.Join("../../api/typescript", part), dir).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	if err := os.Symlink(filepath.Join(tools, "node_modules"), filepath.Join(dir, "node_modules")); err != nil {
		t.Fatal(err)
	}
	example := readmeExample(t, "ts")
	here := strings.NewReplacer("http://127.0.0.1:8080", "http://"+p.HTTP, `"creepage-client"`, `"../src/client.js"`)
	if err := os.WriteFile(filepath.Join(dir, "test", "readme.ts"), []byte(here.Replace(example)), 0o600); err != nil {
		t.Fatal(err)
	}
	node := func(args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "node", args...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "SERVER=http://"+p.HTTP, "KEY="+strings.TrimSpace(string(key)))
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("node %v: %v\n%s", args, err, out)
		}
		return string(out)
	}
	tsc := filepath.Join(tools, "node_modules", "typescript", "bin", "tsc")
	node(tsc, "-p", "test")
	if _, err := os.Stat(filepath.Join(dir, "dist-test", "src", "client.d.ts")); err != nil {
		t.Error(err)
	}
	if out := node("--test", "--test-reporter=tap", "dist-test/test/against.js"); !strings.Contains(out, "# pass 5") || !strings.Contains(out, "# fail 0") {
		t.Errorf("not every test was run:\n%s", out)
	}
	if out := node("dist-test/test/readme.js"); !strings.Contains(out, "vehicles/") || !strings.Contains(out, "readings[0].resistance_ohms") {
		t.Errorf("the README's example printed:\n%s", out)
	}
}

// readmeExample returns the README's block of a language.
func readmeExample(t *testing.T, language string) string {
	t.Helper()
	for _, e := range examplesOf(t, "../../README.md") {
		if e.language == language {
			return e.text
		}
	}
	t.Fatalf("the README has no %s example", language)
	return ""
}

func stderrOf(err error) string {
	var failed *exec.ExitError
	if errors.As(err, &failed) {
		return string(failed.Stderr)
	}
	return ""
}
