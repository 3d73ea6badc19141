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
// README's TypeScript example as it stands, in a folder of its own that has the
// package installed as npm does it: by a link, after the package's own build.
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
	user := t.TempDir()
	for link, to := range map[string]string{"creepage-client": dir, "@types": filepath.Join(tools, "node_modules", "@types"), "undici-types": filepath.Join(tools, "node_modules", "undici-types")} {
		if err := errors.Join(os.MkdirAll(filepath.Join(user, "node_modules"), 0o700), os.Symlink(to, filepath.Join(user, "node_modules", link))); err != nil {
			t.Fatal(err)
		}
	}
	example := strings.ReplaceAll(readmeExample(t, "ts"), "http://127.0.0.1:8080", "http://"+p.HTTP)
	for name, text := range map[string]string{"readme.ts": example, "package.json": `{"type": "module"}`,
		"tsconfig.json": `{"compilerOptions": {"target": "ES2022", "module": "NodeNext", "strict": true, "types": ["node"]}, "files": ["readme.ts"]}`} {
		if err := os.WriteFile(filepath.Join(user, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	run := func(dir, program string, args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), program, args...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "SERVER=http://"+p.HTTP, "KEY="+strings.TrimSpace(string(key)))
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v\n%s", program, args, err, out)
		}
		return string(out)
	}
	tsc := filepath.Join(tools, "node_modules", "typescript", "bin", "tsc")
	node := func(args ...string) string { t.Helper(); return run(dir, "node", args...) }
	node(tsc, "-p", "test")
	if _, err := os.Stat(filepath.Join(dir, "dist-test", "src", "client.d.ts")); err != nil {
		t.Error(err)
	}
	if out := node("--test", "--test-reporter=tap", "dist-test/test/against.js"); !strings.Contains(out, "# pass 5") || !strings.Contains(out, "# fail 0") {
		t.Errorf("not every test was run:\n%s", out)
	}
	run(dir, "npm", "run", "build")
	run(user, "node", tsc)
	if out := run(user, "node", "readme.js"); !strings.Contains(out, "vehicles/") || !strings.Contains(out, "readings[0].resistance_ohms") {
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
