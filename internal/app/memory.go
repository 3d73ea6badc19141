package app

import (
	"os"
	"runtime/debug"
	"strconv"
	"strings"
)

const (
	// garbageShare of the machine's memory is where the collector begins to hold
	// against growth: PostgreSQL and its files may be beside.
	garbageShare = 0.25
	leastLimit   = 256 << 20 // bytes
)

// limitMemory has the garbage collector hold against growth before memory gets
// short. Who sets GOMEMLIMIT has said what he wants.
func limitMemory() {
	if machine := machineMemory(); machine > 0 && os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(max(leastLimit, int64(garbageShare*float64(machine))))
	}
}

// machineMemory is what the machine, or the control group the process runs in,
// has of memory, in bytes; 0 where the system does not tell.
func machineMemory() uint64 {
	least := uint64(0)
	take := func(text string, unit uint64) {
		if n, err := strconv.ParseUint(strings.TrimSpace(text), 10, 64); err == nil && n > 0 && (least == 0 || n*unit < least) {
			least = n * unit
		}
	}
	for _, path := range []string{"/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes"} {
		if text, err := os.ReadFile(path); err == nil {
			take(string(text), 1)
		}
	}
	if text, err := os.ReadFile("/proc/meminfo"); err == nil {
		for line := range strings.Lines(string(text)) {
			if rest, ok := strings.CutPrefix(line, "MemTotal:"); ok {
				take(strings.TrimSuffix(strings.TrimSpace(rest), "kB"), 1024)
			}
		}
	}
	return least
}
