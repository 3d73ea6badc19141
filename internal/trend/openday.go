package trend

import (
	"cmp"
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
)

// openDay holds the entries of the day that still takes some, so that the day
// folds alike in whatever order they come. Tester readings are kept whole, up
// to a number no visit reaches; a monitor's rows as a bounded summary that does
// not depend on their order.
type openDay struct {
	readings []insulation.Reading // testers and voltmeters, canonical order
	monitor  [2]monitorDay        // by quantity: parallel, weaker pole
	events   []insulation.Event
	codes    []insulation.Code
	garbage  []Doubt // rows set aside on sight, canonical order, bounded
	dropped  int     // rows beyond the bounds
}

// Bounds of one day: more of one vehicle in one day are not visits.
const (
	maxDayReadings = 256
	maxDayEvents   = 32
	maxDayGarbage  = 16
)

func (o *openDay) reset() {
	o.readings = o.readings[:0]
	o.events, o.codes, o.garbage = o.events[:0], o.codes[:0], o.garbage[:0]
	for i := range o.monitor {
		o.monitor[i].reset()
	}
	o.dropped = 0
}

// empty says whether the day holds nothing: a day that was closed when it was written.
func (o *openDay) empty() bool {
	return len(o.readings)+len(o.events)+len(o.codes)+len(o.garbage)+o.dropped == 0 && o.monitor[0].rows == 0 && o.monitor[1].rows == 0
}

func (o *openDay) clone() openDay {
	c := *o
	c.readings = slices.Clone(o.readings)
	c.events, c.codes, c.garbage = slices.Clone(o.events), slices.Clone(o.codes), slices.Clone(o.garbage)
	for i := range c.monitor {
		c.monitor[i].bins = slices.Clone(o.monitor[i].bins)
	}
	return c
}

// insert puts x into a sorted slice and keeps the most first ones, so that
// what remains does not depend on the order of arrival.
func insert[T any](s []T, x T, most int, compare func(a, b T) int) []T {
	i, _ := slices.BinarySearchFunc(s, x, compare)
	if len(s) >= most {
		if i >= most {
			return s
		}
		s = s[:most-1]
	}
	return slices.Insert(s, i, x)
}

func (o *openDay) add(e Entry) {
	switch {
	case e.Event != nil:
		o.events = insert(o.events, *e.Event, maxDayEvents, func(a, b insulation.Event) int {
			return cmp.Or(a.OccurredAt.Compare(b.OccurredAt), cmp.Compare(a.Component, b.Component), cmp.Compare(a.Kind, b.Kind))
		})
	case e.Code != nil:
		o.codes = insert(o.codes, *e.Code, maxDayEvents, func(a, b insulation.Code) int {
			return cmp.Or(a.SetAt.Compare(b.SetAt), cmp.Compare(a.Code, b.Code))
		})
	case e.Reading != nil:
		o.addReading(e.Reading)
	}
}

func (o *openDay) addReading(r *insulation.Reading) {
	if why := Impossible(r); why != "" {
		d := Doubt{ReadingID: r.ID, MeasuredAt: r.MeasuredAt, Group: GroupOf(r.Component, r.Conductor, r.Quantity), Ohms: r.Ohms, SetAside: true, Cause: NoReading, Reason: why}
		o.garbage = insert(o.garbage, d, maxDayGarbage, compareDoubts)
		return
	}
	if r.Method == insulation.Monitor && r.Component == insulation.System {
		q := 0
		if r.Quantity == insulation.WeakerPole {
			q = 1
		}
		o.monitor[q].add(r)
		return
	}
	o.readings = insert(o.readings, used(r), maxDayReadings, func(a, b insulation.Reading) int { return compareReadings(&a, &b) })
}

// used returns what the trend uses of a reading, times in UTC.
func used(r *insulation.Reading) insulation.Reading {
	return insulation.Reading{ID: r.ID, Shop: r.Shop, Visit: r.Visit, Meter: r.Meter, MeasuredAt: r.MeasuredAt.UTC(),
		Method: r.Method, Component: r.Component, Conductor: r.Conductor, Reference: r.Reference, Quantity: r.Quantity, Relation: r.Relation,
		Ohms: r.Ohms, TestVolts: r.TestVolts, HoldSeconds: r.HoldSeconds, AirCelsius: r.AirCelsius, HumidityPct: r.HumidityPct,
		PartCelsius: r.PartCelsius, RangeOhms: r.RangeOhms}
}

func compareDoubts(a, b Doubt) int {
	return cmp.Or(a.MeasuredAt.Compare(b.MeasuredAt), cmp.Compare(a.ReadingID, b.ReadingID), cmp.Compare(a.Group.Component, b.Group.Component),
		cmp.Compare(a.Group.Conductor, b.Group.Conductor), cmp.Compare(a.Ohms, b.Ohms))
}

// monitorDay is the summary of a day's monitor rows: counts per level, in bins
// of 0.0005 decades, or of 0.01 once there are very many different ones. Sums
// are of whole numbers, so that their order does not matter.
type monitorDay struct {
	rows    int32
	coarse  bool
	bins    []monitorBin // sorted by key and relation
	celsius intSum       // thousandths of a degree
	rh      intSum       // thousandths of a percent
	first   time.Time    // earliest row and its id, to name the day by
	firstID string
}

type monitorBin struct {
	key      int32
	relation insulation.Relation
	count    int32
	level    int64 // sum of levels, 1e-9 decades
}

type intSum struct {
	sum int64
	n   int32
}

const (
	fineBins      = 2000 // bins a decade
	coarseFactor  = 20   // fine bins in a coarse one
	maxFineBins   = 128
	levelUnit     = 1e9
	climateUnit   = 1e3
	sensibleC     = 150 // beyond +-this no air temperature
	sensiblePctRH = 100
)

func (d *monitorDay) reset() { *d = monitorDay{bins: d.bins[:0]} }

func (s *intSum) add(x, unit, least, most float64) {
	if x >= least && x <= most {
		s.sum += int64(math.Round(x * unit))
		s.n++
	}
}

// mean returns the mean in the unit that was added, NaN if nothing was.
func (s *intSum) mean(unit float64) float64 {
	if s.n == 0 {
		return math.NaN()
	}
	return float64(s.sum) / (unit * float64(s.n))
}

func (d *monitorDay) add(r *insulation.Reading) {
	if d.rows == 0 || r.MeasuredAt.Before(d.first) || (r.MeasuredAt.Equal(d.first) && r.ID < d.firstID) {
		d.first, d.firstID = r.MeasuredAt, r.ID
	}
	if d.rows < math.MaxInt32 {
		d.rows++
	}
	d.celsius.add(r.AirCelsius, climateUnit, -sensibleC, sensibleC)
	d.rh.add(r.HumidityPct, climateUnit, 0, sensiblePctRH)
	level := r.Level()
	key := int32(math.Round(level * fineBins))
	if d.coarse {
		key = floorDiv(key, coarseFactor)
	}
	d.put(monitorBin{key, r.Relation, 1, int64(math.Round(level * levelUnit))})
	if !d.coarse && len(d.bins) > maxFineBins {
		d.coarsen()
	}
}

func (d *monitorDay) put(b monitorBin) {
	i, ok := slices.BinarySearchFunc(d.bins, b, func(a, b monitorBin) int {
		return cmp.Or(cmp.Compare(a.key, b.key), cmp.Compare(a.relation, b.relation))
	})
	if ok {
		d.bins[i].count += b.count
		d.bins[i].level += b.level
		return
	}
	d.bins = slices.Insert(d.bins, i, b)
}

func (d *monitorDay) coarsen() {
	fine := d.bins
	d.coarse, d.bins = true, nil
	for _, b := range fine {
		b.key = floorDiv(b.key, coarseFactor)
		d.put(b)
	}
}

func floorDiv(a, b int32) int32 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// mean returns the level of a bin.
func (b *monitorBin) mean() float64 { return float64(b.level) / levelUnit / float64(b.count) }

// median returns the bin in which the day's middle row lies. Over-range rows
// sort as the values they state: they are the monitor's highest.
func (d *monitorDay) median() *monitorBin {
	half := (int64(d.rows) + 1) / 2
	for i := range d.bins {
		half -= int64(d.bins[i].count)
		if half <= 0 {
			return &d.bins[i]
		}
	}
	return nil
}
