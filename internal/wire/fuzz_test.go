package wire_test

import (
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/wire"
)

// Whatever bytes come from the stream or a sender: a message is read or refused,
// and what was read is written and read again the same.
func FuzzReading(f *testing.F) {
	for _, text := range []string{
		`{"readingId": "r-1", "shop": "shops/north-yard", "vehicle": "vehicles/truck-17", "platform": "platforms/van", "measureTime": "2026-03-02T09:15:00Z", "method": "TESTER", "component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "relation": "ABOVE", "resistanceOhms": 5.5e8, "rangeOhms": 5.5e8, "precautions": {"lockedOut": true, "waitedSeconds": 300}}`,
		`{"vehicle": "vehicles/", "resistanceOhms": "NaN", "measureTime": "9999-12-31T23:59:59.999999999Z", "component": 99}`,
		`{}`,
	} {
		var m creepagev1.Reading
		if err := protojson.Unmarshal([]byte(text), &m); err != nil {
			f.Fatal(err)
		}
		b, err := proto.Marshal(&m)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var m creepagev1.Reading
		if proto.Unmarshal(data, &m) != nil {
			return
		}
		r, err := wire.Reading(&m)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("refused without a reason")
			}
			return
		}
		again, err := wire.Reading(wire.ReadingMessage(&r))
		if err != nil {
			t.Fatalf("what was read cannot be read again: %v\n%v", err, &m)
		}
		if again.ID != r.ID || wire.ContentHash(&again) != wire.ContentHash(&r) {
			t.Fatalf("read otherwise the second time:\n%+v\n%+v", r, again)
		}
	})
}
