package worker

import (
	"testing"

	"creepage/internal/stream"
)

// The daily pass writes every vehicle's outlook; packed by the default method the
// whole pass takes about a fifth longer.
func TestOutlooksArePackedByTheFastMethodWhereThereIsOne(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	known := e.count(`SELECT count(*) FROM pg_settings WHERE name = 'default_toast_compression' AND 'lz4' = ANY (enumvals)`)
	fast := e.count(`SELECT count(*) FROM pg_attribute WHERE attname = 'details' AND attcompression = 'l' AND attrelid IN ('outlooks'::regclass, 'latest_outlooks'::regclass)`)
	if fast != 2*known {
		t.Errorf("%d of 2 tables pack outlooks by LZ4 on a server that knows it %d times", fast, known)
	}
}
