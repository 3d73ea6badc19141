package local

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
	"strings"
)

// BinariesVariable names the environment variable that says where PostgreSQL's
// programs are, for machines that keep them in an unusual place.
const BinariesVariable = "CREEPAGE_POSTGRES_BIN"

// oldestMajor is the oldest PostgreSQL the migrations are tested with.
const oldestMajor = 15

// binaryPlaces are where packages put PostgreSQL's programs: Debian and Ubuntu,
// the PostgreSQL project's own RPMs, and the two places of Homebrew.
var binaryPlaces = []string{
	"/usr/lib/postgresql/*/bin",
	"/usr/pgsql-*/bin",
	"/opt/homebrew/opt/postgresql@*/bin",
	"/usr/local/opt/postgresql@*/bin",
	"/opt/homebrew/opt/postgresql/bin",
}

// binaries is a folder with PostgreSQL's programs, all of one major version.
type binaries struct {
	dir   string
	major int
}

func (b binaries) path(program string) string { return filepath.Join(b.dir, program) }

// findBinaries returns the newest PostgreSQL on this machine, or the newest of
// the given major version where a data folder already asks for one (0: any).
func findBinaries(major int) (binaries, error) {
	var found []binaries
	for _, dir := range candidateDirs() {
		b, err := versionOf(dir)
		if err != nil || b.major < oldestMajor || (major != 0 && b.major != major) {
			continue
		}
		found = append(found, b)
	}
	if len(found) == 0 {
		want := fmt.Sprintf("%d or newer", oldestMajor)
		if major != 0 {
			want = strconv.Itoa(major)
		}
		return binaries{}, fmt.Errorf("no PostgreSQL %s on this machine: install it (Debian and Ubuntu: apt-get install postgresql; macOS: brew install postgresql@17) or name its bin folder in %s", want, BinariesVariable)
	}
	sort.SliceStable(found, func(i, j int) bool { return found[i].major > found[j].major })
	return found[0], nil
}

// candidateDirs lists the folders to look into, the one the operator named
// first and alone if there is one.
func candidateDirs() []string {
	if dir := os.Getenv(BinariesVariable); dir != "" {
		return []string{dir}
	}
	var dirs []string
	for _, place := range binaryPlaces {
		matches, _ := filepath.Glob(place) // the only error is a malformed pattern
		dirs = append(dirs, matches...)
	}
	if program, err := exec.LookPath("postgres"); err == nil {
		if real, err := filepath.EvalSymlinks(program); err == nil {
			dirs = append(dirs, filepath.Dir(real))
		}
	}
	return dirs
}

var versionPattern = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

func versionOf(dir string) (binaries, error) {
	for _, program := range []string{"initdb", "postgres"} {
		if _, err := os.Stat(filepath.Join(dir, program)); err != nil {
			return binaries{}, err
		}
	}
	out, err := exec.Command(filepath.Join(dir, "postgres"), "--version").Output()
	if err != nil {
		return binaries{}, fmt.Errorf("ask %s for its version: %w", dir, err)
	}
	m := versionPattern.FindSubmatch(out)
	if m == nil {
		return binaries{}, fmt.Errorf("%s does not name its version: %q", dir, strings.TrimSpace(string(out)))
	}
	major, err := strconv.Atoi(string(m[1]))
	if err != nil {
		return binaries{}, err
	}
	return binaries{dir: dir, major: major}, nil
}
