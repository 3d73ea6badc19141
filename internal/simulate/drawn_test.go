package simulate

import (
	"reflect"
	"testing"
)

func TestADrawnPhysicsIsTheSameForItsNumberAndMakesFleets(t *testing.T) {
	for n := range uint64(6) {
		p, err := ByName("drawn-" + string(rune('0'+n)))
		if err != nil {
			t.Fatal(err)
		}
		// Laws hold functions, which compare by name only: the rest must be the same to the bit.
		p.Laws = nil
		again, other := Drawn(n), Drawn(n+1)
		again.Laws, other.Laws = nil, nil
		if !reflect.DeepEqual(p, again) {
			t.Errorf("number %d: %+v and %+v", n, p, again)
		}
		if reflect.DeepEqual(p.Shares, other.Shares) {
			t.Errorf("numbers %d and %d mix stories alike", n, n+1)
		}
		fleet, err := New(Config{Physics: Drawn(n), Vehicles: 12, Years: 1, Seed: n})
		if err != nil {
			t.Fatal(err)
		}
		if len(fleet.Readings) < 12 || len(fleet.Truth) != 12 {
			t.Errorf("number %d: %d readings, %d vehicles of 12", n, len(fleet.Readings), len(fleet.Truth))
		}
	}
	for _, name := range []string{"drawn-", "drawn-x", "drawn--1", "gentle"} {
		if _, err := ByName(name); err == nil {
			t.Errorf("physics %q is taken", name)
		}
	}
}
