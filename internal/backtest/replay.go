package backtest

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/trend"
)

// Arrival is an entry of one vehicle and when it arrived.
type Arrival struct {
	trend.Entry
	At time.Time
}

// Replay says how entries are replayed: what is said of a vehicle depends on
// these, its platform and its entries alone.
type Replay struct {
	Model  *trend.Model
	Policy trend.Policy
	Origin time.Time     // UTC day from which outlooks are counted
	Every  time.Duration // an outlook stands at Origin + Every, + 2 Every, ...; 0: none
	Last   time.Time     // outlooks end here
	Until  time.Time     // the warn rule is evaluated once a UTC day up to this time
	// Lessons are what was learned on the way, in order of time; what is said
	// from one on is said with its model.
	Lessons []Lesson
	Rows    bool // outlooks are wanted as rows of numbers only: without bands, doubts, advice and sentence
}

// Said is what would have been said of a vehicle.
type Said struct {
	Outlooks []trend.Outlook
	Changes  []trend.Change // warnings raised and ended, in order
	Rule     trend.RuleState
	Memory   *trend.Vehicle // everything folded
}

// Vehicle replays one vehicle's entries, which are in order of arrival.
// Whatever is said at a time depends on nothing that arrived later. The
// platform returned for a time is that which holds then.
func (r *Replay) Vehicle(id string, platform func(time.Time) *insulation.Platform, arrivals []Arrival) (Said, error) {
	own := *r // its model changes with each lesson
	p := own.begin(id, platform, arrivals)
	for i := range r.Lessons {
		if err := p.advance(r.Lessons[i].At); err != nil {
			return p.said, err
		}
		if err := p.heed(&r.Lessons[i]); err != nil {
			return p.said, err
		}
	}
	err := p.finish()
	return p.said, err
}

// begin makes the player of a vehicle before anything has happened.
func (r *Replay) begin(id string, platform func(time.Time) *insulation.Platform, arrivals []Arrival) *player {
	p := &player{Replay: r, id: id, platform: platform, memory: trend.NewVehicle(id), arrivals: arrivals}
	p.said.Memory = p.memory
	if len(arrivals) > 0 {
		p.nextOutlook, p.nextDay = r.firstOutlook(arrivals[0].At), startOfDay(arrivals[0].At).AddDate(0, 0, 1)
	}
	return p
}

// advance plays everything that arrives before a time, and lets time pass up to it.
func (p *player) advance(to time.Time) error {
	for p.next < len(p.arrivals) && p.arrivals[p.next].At.Before(to) {
		if err := p.step(); err != nil {
			return err
		}
	}
	if p.next > 0 {
		p.passUntil(earlier(to, p.Until))
	}
	return nil
}

// finish plays what is left.
func (p *player) finish() error {
	for p.next < len(p.arrivals) {
		if err := p.step(); err != nil {
			return err
		}
	}
	if len(p.arrivals) > 0 {
		p.passUntil(p.Until)
	}
	p.said.Rule, p.said.Memory = p.rule, p.memory
	return nil
}

// step plays what arrives at the next moment.
func (p *player) step() error {
	i := p.next
	at := p.arrivals[i].At
	for p.next < len(p.arrivals) && p.arrivals[p.next].At.Equal(at) {
		p.next++
	}
	p.passUntil(at)
	if err := p.take(p.arrivals[i:p.next]); err != nil {
		return fmt.Errorf("vehicle %s: %w", p.id, err)
	}
	p.evaluate(at)
	return nil
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// player is a replay of one vehicle under way.
type player struct {
	*Replay
	id       string
	arrivals []Arrival
	next     int // arrivals played so far
	platform func(time.Time) *insulation.Platform
	memory   *trend.Vehicle
	known    []trend.Entry // everything that has arrived
	kept     []*trend.Vehicle
	latest   time.Time // measured last
	rule     trend.RuleState
	calm     time.Time            // up to when the rule need not be evaluated unless something arrives,
	calmOn   *insulation.Platform // on this platform
	said     Said

	nextOutlook, nextDay, again time.Time // when each is next; again is zero where nothing is waited for
}

func startOfDay(t time.Time) time.Time { return t.UTC().Truncate(24 * time.Hour) }

func (r *Replay) firstOutlook(at time.Time) time.Time {
	next := r.Origin
	if r.Every <= 0 {
		return time.Time{}
	}
	for !next.After(at) || next.Equal(r.Origin) {
		next = next.Add(r.Every)
	}
	return next
}

// passUntil lets time pass: outlooks, daily evaluations and those that were to be made again, of all moments up to
// and including a time, before what arrives at it.
func (p *player) passUntil(at time.Time) {
	for {
		outlook := p.Every > 0 && !p.nextOutlook.After(at) && !p.nextOutlook.After(p.Last)
		day := !p.nextDay.After(at) && !p.nextDay.After(p.Until)
		again := !p.again.IsZero() && !p.again.After(at) && !p.again.After(p.Until)
		switch {
		case again && !(day && p.nextDay.Before(p.again)) && !(outlook && p.nextOutlook.Before(p.again)):
			at := p.again
			p.again = time.Time{}
			p.evaluate(at)
		case outlook && (!day || p.nextOutlook.Before(p.nextDay)): // on the day itself after its evaluation, as the service does
			say := p.Model.Outlook
			if p.Rows {
				say = p.Model.Figures
			}
			o := say(p.memory, p.platform(p.nextOutlook), p.notBefore(p.nextOutlook))
			o.EvaluatedAt = p.nextOutlook
			o.Warned(&p.rule)
			p.said.Outlooks = append(p.said.Outlooks, o)
			p.nextOutlook = p.nextOutlook.Add(p.Every)
		case day:
			p.evaluate(p.nextDay)
			p.nextDay = p.nextDay.AddDate(0, 0, 1)
		default:
			return
		}
	}
}

// notBefore is the time to evaluate at: never before what is known.
func (p *player) notBefore(at time.Time) time.Time {
	if p.latest.After(at) {
		return p.latest
	}
	return at
}

// evaluate is the daily step of the rule, left out on days on which a calm vehicle is as it was.
func (p *player) evaluate(at time.Time) {
	at = p.notBefore(at)
	platform := p.platform(at)
	if at.Before(p.calm) && platform == p.calmOn {
		return
	}
	var changes []trend.Change
	var calm bool
	p.rule, changes, calm = p.Model.Evaluate(p.rule, p.memory, platform, at, p.Policy)
	p.said.Changes = append(p.said.Changes, changes...)
	p.again = p.rule.Again(at)
	p.calm, p.calmOn = time.Time{}, platform
	if calm {
		p.calm = at.AddDate(0, 0, trend.CalmDays)
	}
}

// Every so many days a memory is kept from which late entries are replayed. When there
// are more than mostKept, every other of the older half is let go: an entry that comes months
// late is replayed from farther back.
const (
	keepEvery = 14 * 24 * time.Hour
	mostKept  = 12
)

// take folds what arrives at one moment. An entry of a day that is already
// closed is folded from the newest kept memory before it.
func (p *player) take(arrivals []Arrival) error {
	entries := make([]trend.Entry, len(arrivals))
	earliest := arrivals[0].Time()
	for i, a := range arrivals {
		entries[i] = a.Entry
		if a.Time().Before(earliest) {
			earliest = a.Time()
		}
		if a.Time().After(p.latest) {
			p.latest = a.Time()
		}
	}
	p.known, p.calm = append(p.known, entries...), time.Time{}
	p.keep(earliest)
	err := p.Model.Add(p.memory, p.platform(earliest), entries)
	if !errors.Is(err, trend.ErrLate) {
		return err
	}
	return p.takeLate(earliest)
}

// keep keeps the memory before it takes an entry of a later day.
func (p *player) keep(next time.Time) {
	open := p.memory.OpenDay()
	if open.IsZero() || !startOfDay(next).After(open) {
		return
	}
	if len(p.kept) == 0 || open.Sub(p.kept[len(p.kept)-1].OpenDay()) >= keepEvery {
		p.kept = append(p.kept, p.memory.Clone())
	}
	if len(p.kept) > mostKept {
		for i := 1; i <= mostKept/4; i++ {
			p.kept = slices.Delete(p.kept, i, i+1)
		}
	}
}

func (p *player) takeLate(earliest time.Time) error {
	day := startOfDay(earliest)
	for len(p.kept) > 0 && !p.kept[len(p.kept)-1].OpenDay().Before(day) {
		p.kept = p.kept[:len(p.kept)-1]
	}
	p.memory = trend.NewVehicle(p.id)
	var since time.Time
	if len(p.kept) > 0 {
		p.memory = p.kept[len(p.kept)-1].Clone()
		since = p.memory.OpenDay().AddDate(0, 0, 1)
	}
	var again []trend.Entry
	for _, e := range p.known {
		if !e.Time().Before(since) {
			again = append(again, e)
		}
	}
	slices.SortStableFunc(again, func(a, b trend.Entry) int { return a.Time().Compare(b.Time()) })
	return p.Model.Add(p.memory, p.platform(earliest), again)
}
