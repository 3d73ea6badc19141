package backtest

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/trend"
)

// Records are a fleet's records, sorted by vehicle and order of arrival, and
// the rows that were set aside.
type Records struct {
	vehicles []*history
	first    time.Time // measured_at of the first row
	last     time.Time // latest arrival

	Rows    int  // rows read, those set aside included
	Codes   bool // code dates were given: what was said can be judged
	Rejects []record.Reject
}

// history is one vehicle's entries in order of arrival.
type history struct {
	id       string
	platform *insulation.Platform
	entries  []arrival
	lastRow  time.Time // latest arrival of a reading
}

// arrival is one entry, when it arrived, and the row it came from (0: not a reading).
type arrival struct {
	trend.Entry
	at  time.Time
	row int
}

// Files are the paths of a fleet's records. Events and Codes may be empty.
type Files struct {
	Platforms, Readings, Events, Codes string
}

// Load reads a fleet's records. Rows that cannot be readings are set aside and
// do not stop it; a file that is not what it should be does.
func Load(f Files) (*Records, error) {
	platforms, err := open(f.Platforms, record.ReadPlatforms)
	if err != nil {
		return nil, err
	}
	l := newLoader(platforms)
	if _, err := open(f.Readings, l.readings); err != nil {
		return nil, err
	}
	if f.Events != "" {
		if _, err := open(f.Events, l.events); err != nil {
			return nil, err
		}
	}
	if f.Codes != "" {
		l.records.Codes = true
		if _, err := open(f.Codes, l.codes); err != nil {
			return nil, err
		}
	}
	return l.finish(), nil
}

func open[T any](path string, read func(io.Reader, string) (T, error)) (T, error) {
	f, err := os.Open(path)
	if err != nil {
		var zero T
		return zero, err
	}
	defer f.Close()
	return read(f, filepath.Base(path))
}

// FromFleet takes records that are already in memory, readings in order of arrival.
func FromFleet(platforms []insulation.Platform, readings []insulation.Reading, events []insulation.Event, codes []insulation.Code) *Records {
	l := newLoader(platforms)
	l.records.Codes = true
	for i := range readings {
		l.reading("readings.csv", i+2, &readings[i])
	}
	for i := range events {
		l.event("events.csv", i+2, &events[i])
	}
	for i := range codes {
		l.code("codes.csv", i+2, &codes[i])
	}
	return l.finish()
}

type identity struct {
	id string
	at int64
}

type loader struct {
	records   *Records
	platforms map[string]*insulation.Platform
	byID      map[string]*history
	seen      map[identity]*insulation.Reading
	arrived   time.Time // running maximum of measured_at
}

func newLoader(platforms []insulation.Platform) *loader {
	l := &loader{records: &Records{}, platforms: make(map[string]*insulation.Platform, len(platforms)),
		byID: make(map[string]*history), seen: make(map[identity]*insulation.Reading)}
	for i := range platforms {
		l.platforms[platforms[i].ID] = &platforms[i]
	}
	return l
}

func (l *loader) reject(file string, row int, id, field, value, why string) {
	l.records.Rejects = append(l.records.Rejects, record.Reject{File: file, Row: row, ID: id, Field: field, Value: value, Why: why})
}

func (l *loader) rejectRow(file string, e *record.RowError) {
	var fe *record.FieldError
	if errors.As(e.Err, &fe) {
		l.reject(file, e.Row, e.ID, fe.Field, fe.Value, "want "+fe.Want)
		return
	}
	l.reject(file, e.Row, e.ID, "", "", e.Err.Error())
}

func (l *loader) readings(r io.Reader, file string) (struct{}, error) {
	rr, err := record.NewReadingReader(r, file)
	if err != nil {
		return struct{}{}, err
	}
	for {
		reading, err := rr.Next()
		var re *record.RowError
		switch {
		case errors.Is(err, io.EOF):
			return struct{}{}, nil
		case errors.As(err, &re):
			l.records.Rows++
			l.rejectRow(file, re)
		case err != nil:
			return struct{}{}, fmt.Errorf("%s: %w", file, err)
		default:
			l.reading(file, rr.Row(), &reading)
		}
	}
}

// reading takes one reading, or sets it aside.
func (l *loader) reading(file string, row int, r *insulation.Reading) {
	l.records.Rows++
	platform := l.platforms[r.Platform]
	if platform == nil {
		l.reject(file, row, r.ID, "platform", r.Platform, "want a platform of the platforms file")
		return
	}
	if why := trend.Impossible(r); why != "" {
		l.reject(file, row, r.ID, "resistance_ohm", strconv.FormatFloat(r.Ohms, 'f', -1, 64), why)
		return
	}
	if !r.ReceivedAt.IsZero() && r.MeasuredAt.After(r.ReceivedAt.Add(24*time.Hour)) {
		l.reject(file, row, r.ID, "measured_at", r.MeasuredAt.Format(time.RFC3339), "want a time not more than a day after received_at "+r.ReceivedAt.Format(time.RFC3339))
		return
	}
	h := l.vehicle(r.Vehicle, platform)
	if h.platform != platform {
		l.reject(file, row, r.ID, "platform", r.Platform, "want "+h.platform.ID+", the platform of the vehicle's earlier rows")
		return
	}
	if r.ID == "" {
		r.ID = fmt.Sprintf("%s-row-%d", file, row)
	}
	key := identity{r.ID, r.MeasuredAt.UnixNano()}
	if before := l.seen[key]; before != nil {
		why := "a duplicate of an earlier row"
		if !sameContent(before, r) {
			why = "in conflict with an earlier row of the same reading_id and measured_at, which stands"
		}
		l.reject(file, row, r.ID, "reading_id", r.ID, why)
		return
	}
	l.seen[key] = r
	if l.records.first.IsZero() {
		l.records.first = r.MeasuredAt
	}
	at := r.ReceivedAt
	if at.IsZero() {
		if r.MeasuredAt.After(l.arrived) {
			l.arrived = r.MeasuredAt
		}
		at = l.arrived
	}
	h.entries = append(h.entries, arrival{trend.Entry{Reading: r}, at, row})
	if at.After(h.lastRow) {
		h.lastRow = at
	}
}

// sameContent compares what two readings say; not-a-numbers are equal.
func sameContent(a, b *insulation.Reading) bool {
	same := func(x, y float64) bool { return x == y || (x != x && y != y) }
	return a.Vehicle == b.Vehicle && a.Component == b.Component && a.Conductor == b.Conductor && a.Reference == b.Reference && a.Quantity == b.Quantity &&
		a.Method == b.Method && a.Relation == b.Relation && same(a.Ohms, b.Ohms) && same(a.TestVolts, b.TestVolts) && same(a.HoldSeconds, b.HoldSeconds) &&
		same(a.AirCelsius, b.AirCelsius) && same(a.HumidityPct, b.HumidityPct)
}

func (l *loader) vehicle(id string, platform *insulation.Platform) *history {
	h := l.byID[id]
	if h == nil {
		h = &history{id: id, platform: platform}
		l.byID[id] = h
		l.records.vehicles = append(l.records.vehicles, h)
	}
	return h
}

func (l *loader) events(r io.Reader, file string) (struct{}, error) {
	events, bad, err := record.ReadEvents(r, file)
	for _, e := range bad {
		l.rejectRow(file, e)
	}
	for i := range events {
		l.event(file, i+2, &events[i])
	}
	return struct{}{}, err
}

func (l *loader) event(file string, row int, e *insulation.Event) {
	h := l.byID[e.Vehicle]
	if h == nil {
		l.reject(file, row, "", "vehicle", e.Vehicle, "want a vehicle of the readings file")
		return
	}
	h.entries = append(h.entries, arrival{trend.Entry{Event: e}, e.OccurredAt, 0})
}

func (l *loader) codes(r io.Reader, file string) (struct{}, error) {
	codes, bad, err := record.ReadCodes(r, file)
	for _, e := range bad {
		l.rejectRow(file, e)
	}
	for i := range codes {
		l.code(file, i+2, &codes[i])
	}
	return struct{}{}, err
}

func (l *loader) code(file string, row int, c *insulation.Code) {
	h := l.byID[c.Vehicle]
	if h == nil {
		l.reject(file, row, "", "vehicle", c.Vehicle, "want a vehicle of the readings file")
		return
	}
	h.entries = append(h.entries, arrival{trend.Entry{Code: c}, c.SetAt, 0})
}

// finish puts every vehicle's entries into order of arrival. Events and codes
// arrive when they happen.
func (l *loader) finish() *Records {
	slices.SortFunc(l.records.vehicles, func(a, b *history) int { return cmp.Compare(a.id, b.id) })
	for _, h := range l.records.vehicles {
		slices.SortStableFunc(h.entries, func(a, b arrival) int { return a.at.Compare(b.at) })
		if h.lastRow.After(l.records.last) {
			l.records.last = h.lastRow
		}
	}
	return l.records
}
