package server

import (
	"testing"

	creepagev1 "creepage/api/creepage/v1"
)

// Whatever is sent, each reading is either read or refused with fields, and the
// number of readings stays.
func FuzzDecodeSubmission(f *testing.F) {
	for _, seed := range []string{
		`{"readings":[` + goodReading + `]}`, `{"readings":[{"method":"GUESS"}],"codes":[{"code":7}]}`, `{"readings":[{"resistanceOhms":"550 MΩ"},null,[]]}`,
		`{"readings":{}}`, `{"readings":[{"readingId":"a","readingId":"b"}]}`, `[`, `{"backfill":"x"}`, `{"readings":[{"precautions":{"lockedOut":"x"}}]}`, `{"readings":[],"readings":[{}]}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		m := &creepagev1.SubmitReadingsRequest{}
		bad, p := decodeSubmission(data, m)
		if p != nil {
			if len(p.Fields) == 0 {
				t.Fatalf("%q is refused without a field: %v", data, p)
			}
			return
		}
		if bad == nil {
			return
		}
		for i, fields := range bad.readings {
			if i >= len(m.GetReadings()) || len(fields) == 0 {
				t.Fatalf("%q: reading %d of %d is refused with fields %v", data, i, len(m.GetReadings()), fields)
			}
		}
	})
}
