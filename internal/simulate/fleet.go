package simulate

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

// Config says which fleet to make.
type Config struct {
	Physics  Physics
	Vehicles int
	Years    float64
	Seed     uint64
	Start    time.Time // UTC day of the first record; zero: DefaultStart
}

// DefaultStart is the first day of a simulated fleet's records.
var DefaultStart = time.Date(2022, 1, 3, 0, 0, 0, 0, time.UTC)

// Fleet is a simulated fleet: its records as a service would hold them, in order
// of arrival, and the truth.
type Fleet struct {
	Platforms []insulation.Platform
	Readings  []insulation.Reading
	Events    []insulation.Event
	Codes     []insulation.Code
	Truth     []record.Truth
	// MeterErrors is what each meter reads high, decades, in the middle of the records; negative: low.
	MeterErrors map[string]float64
}

// The truth goes on for so many days after the last record, so that a warning
// raised near the end can be judged.
const beyondDays = 185

// A fault may have begun so many days before the first record.
const beforeDays = 150

// New makes the fleet. The same configuration gives the same fleet, whatever the machine's number of processors.
func New(c Config) (*Fleet, error) {
	switch {
	case c.Vehicles < 1 || c.Vehicles > 1_000_000:
		return nil, fmt.Errorf("vehicles %d: want 1 to 1000000", c.Vehicles)
	case !(c.Years > 0 && c.Years <= 50):
		return nil, fmt.Errorf("years %g: want more than 0 and at most 50", c.Years)
	}
	if c.Start.IsZero() {
		c.Start = DefaultStart
	}
	start := c.Start.UTC().Truncate(24 * time.Hour)
	days := int(c.Years*365.25 + 0.5)
	known := days + beyondDays
	world := rand.New(rand.NewPCG(c.Seed, 1<<40))
	models := newModels(world, &c.Physics)
	shops := newShops(world, &c.Physics, start, known, 8)
	vehicles := make([]*vehicle, c.Vehicles)
	inParallel(c.Vehicles, func(i int) {
		r := rand.New(rand.NewPCG(c.Seed, uint64(i)))
		vehicles[i] = newLife(r, &c.Physics, models, shops, fmt.Sprintf("v-%05d", i+1), start, days, known)
	})
	f := gather(models, vehicles)
	f.MeterErrors = map[string]float64{}
	for i := range shops {
		for _, m := range shops[i].meters {
			f.MeterErrors[m.id] = m.offset + m.drift*float64(days)/2
		}
	}
	return f, nil
}

// newLife draws a vehicle, its fault if it has one, and its records.
func newLife(r *rand.Rand, p *Physics, models []model, shops []shop, id string, start time.Time, days, known int) *vehicle {
	v := newVehicle(r, p, &models[r.IntN(len(models))], &shops[r.IntN(len(shops))], id)
	v.monitor = r.Float64() < p.MonitorShare
	// The bad batch makes more vehicles fail, not only other parts of the same ones.
	var hazard, ordinary float64
	weights := make([]float64, len(v.groups))
	for i := range v.groups {
		weights[i] = v.model.groups[i].hazard
		hazard += weights[i]
		ordinary += kinds[v.model.groups[i].component].hazard / float64(len(kinds[v.model.groups[i].component].conductors))
	}
	if r.Float64() < p.FaultShare*hazard/ordinary {
		shares := make([]float64, len(p.Shares))
		for i, s := range p.Shares {
			shares[i] = s.Weight
		}
		story, g := p.Shares[pick(r, shares)].Story, pick(r, weights)
		// A vehicle enters the records without a code: a fault that would set one in the first three weeks is drawn again.
		for range 50 {
			onset := r.IntN(days+beforeDays) - beforeDays
			v.groups[g].fault = newFault(r, story, onset, known)
			if v.codeDay(0, min(21, known)) == never {
				break
			}
			v.groups[g].fault = nil
		}
	}
	v.live(r, shops, start, days, known)
	return v
}

// gather puts the vehicles' records together, in order of arrival.
func gather(models []model, vehicles []*vehicle) *Fleet {
	f := &Fleet{}
	for i := range models {
		f.Platforms = append(f.Platforms, models[i].platform)
	}
	var all []arrival
	late := false
	for _, v := range vehicles {
		all = append(all, v.readings...)
		f.Events, f.Codes = append(f.Events, v.events...), append(f.Codes, v.codes...)
		if len(v.readings) > 0 {
			f.Truth = append(f.Truth, v.truth)
		}
	}
	slices.SortStableFunc(all, func(a, b arrival) int {
		return cmp.Or(a.at.Compare(b.at), a.reading.MeasuredAt.Compare(b.reading.MeasuredAt))
	})
	for i := range all {
		late = late || !all[i].at.Equal(all[i].reading.MeasuredAt)
	}
	f.Readings = make([]insulation.Reading, len(all))
	for i := range all {
		f.Readings[i] = all[i].reading
		f.Readings[i].ID = fmt.Sprintf("r-%07d", i+1)
		if late {
			f.Readings[i].ReceivedAt = all[i].at
		}
	}
	slices.SortStableFunc(f.Events, func(a, b insulation.Event) int { return a.OccurredAt.Compare(b.OccurredAt) })
	slices.SortStableFunc(f.Codes, func(a, b insulation.Code) int { return a.SetAt.Compare(b.SetAt) })
	return f
}

// inParallel calls do(0) to do(n-1) on every processor.
func inParallel(n int, do func(int)) {
	var wait sync.WaitGroup
	workers := min(runtime.GOMAXPROCS(0), n)
	for w := range workers {
		wait.Go(func() {
			for i := w; i < n; i += workers {
				do(i)
			}
		})
	}
	wait.Wait()
}
