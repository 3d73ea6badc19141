package app

import (
	"math"
	"os"
	"runtime/debug"
	"testing"
)

func TestTheCollectorIsTunedUnlessToldOtherwise(t *testing.T) {
	if _, err := os.Stat("/proc/meminfo"); err != nil {
		t.Log("the system does not tell its memory: nothing must change")
	} else if n := machineMemory(); n < 64<<20 || n > 1<<50 {
		t.Fatalf("the machine's memory is read as %d bytes", n)
	}
	percent, limit := debug.SetGCPercent(77), debug.SetMemoryLimit(math.MaxInt64)
	defer debug.SetGCPercent(percent)
	defer debug.SetMemoryLimit(limit)

	t.Setenv("GOGC", "77")
	t.Setenv("GOMEMLIMIT", "4GiB")
	tuneCollector()
	if got := debug.SetGCPercent(77); got != 77 {
		t.Errorf("GOGC was set and the percent became %d", got)
	}
	if got := debug.SetMemoryLimit(-1); got != math.MaxInt64 {
		t.Errorf("GOMEMLIMIT was set and the limit became %d", got)
	}
	t.Setenv("GOGC", "")
	t.Setenv("GOMEMLIMIT", "")
	tuneCollector()
	if got := debug.SetGCPercent(77); machineMemory() > 0 && got != garbagePercent {
		t.Errorf("the percent is %d, want %d", got, garbagePercent)
	}
	if got := debug.SetMemoryLimit(-1); machineMemory() > 0 && (got < leastLimit || got > int64(machineMemory())) {
		t.Errorf("the limit is %d of %d bytes", got, machineMemory())
	}
}
