package app

import (
	"math"
	"os"
	"runtime/debug"
	"testing"
)

func TestMemoryIsLimitedUnlessToldOtherwise(t *testing.T) {
	if _, err := os.Stat("/proc/meminfo"); err != nil {
		t.Log("the system does not tell its memory: nothing must change")
	} else if n := machineMemory(); n < 64<<20 || n > 1<<50 {
		t.Fatalf("the machine's memory is read as %d bytes", n)
	}
	limit := debug.SetMemoryLimit(math.MaxInt64)
	defer debug.SetMemoryLimit(limit)

	t.Setenv("GOMEMLIMIT", "4GiB")
	limitMemory()
	if got := debug.SetMemoryLimit(-1); got != math.MaxInt64 {
		t.Errorf("GOMEMLIMIT was set and the limit became %d", got)
	}
	t.Setenv("GOMEMLIMIT", "")
	limitMemory()
	if got := debug.SetMemoryLimit(-1); machineMemory() > 0 && (got < leastLimit || got > int64(machineMemory())) {
		t.Errorf("the limit is %d of %d bytes", got, machineMemory())
	}
}
