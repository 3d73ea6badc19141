package intake

import (
	"context"
	"maps"
	"slices"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// resolve finds shops, vehicles and platforms of the lines, one look into the
// organisation's book for all of them, and assesses the readings.
func (s *Service) resolve(ctx context.Context, sub *submission) error {
	w := sub.wanted()
	if len(w.vehicles) == 0 {
		return nil
	}
	b, err := s.books.open(ctx, sub.caller.Organisation, w)
	if err != nil {
		return err
	}
	registering := map[string]string{} // vehicles that register themselves with this request
	for l := range sub.fine {
		if l.code == nil {
			sub.place(l, b, registering)
			continue
		}
		_, known := b.vehicles[l.code.Vehicle]
		_, coming := registering[l.code.Vehicle]
		if !known && !coming {
			l.refuse("vehicle", "%q is not registered; a vehicle registers itself with its first reading", wire.Vehicles.Name(l.code.Vehicle))
		}
	}
	return nil
}

// wanted lists what the lines name.
func (sub *submission) wanted() wanted {
	vehicles, shops, platforms := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for l := range sub.fine {
		vehicles[l.vehicle()] = true
		if l.code == nil {
			if l.reading.Shop != "" {
				shops[l.reading.Shop] = true
			}
			if l.reading.Platform != "" {
				platforms[l.reading.Platform] = true
			}
		}
	}
	return wanted{slices.Collect(maps.Keys(vehicles)), slices.Collect(maps.Keys(shops)), slices.Collect(maps.Keys(platforms))}
}

// place finds a reading's shop, vehicle and platform and assesses it.
func (sub *submission) place(l *line, b *book, registering map[string]string) {
	r := &l.reading
	if r.Shop != "" && !b.shops[r.Shop] {
		l.refuse("shop", "%q is not a shop of your organisation; GET /v1/shops lists them", wire.Shops.Name(r.Shop))
		return
	}
	platform, known := b.vehicles[r.Vehicle]
	if !known {
		platform, known = registering[r.Vehicle]
	}
	switch {
	case r.Platform == "" && !known:
		l.refuse("platform", "is missing; the vehicle %q is not registered yet, so its platform is needed", wire.Vehicles.Name(r.Vehicle))
		return
	case r.Platform == "":
		r.Platform = platform
	case known && r.Platform != platform:
		l.refuse("platform", "%q is not the platform of %q, which is %q", wire.Platforms.Name(r.Platform), wire.Vehicles.Name(r.Vehicle), wire.Platforms.Name(platform))
		return
	}
	l.platform = b.platform(r.Platform, r.MeasuredAt)
	if l.platform == nil {
		l.refuse("platform", "%q is not a platform of your organisation; GET /v1/platforms lists them", wire.Platforms.Name(r.Platform))
		return
	}
	registering[r.Vehicle] = r.Platform
	if r.ID == "" {
		r.ID = wire.DerivedID(r)
	}
	l.assess(b, sub.now)
}

// assess says what can be said of the reading at once. Where the sender does
// not state when the meter was calibrated, the register of meters may know; the
// reading itself stays as it was sent.
func (l *line) assess(b *book, now time.Time) {
	r := l.reading
	if r.CalibratedAt.IsZero() {
		r.CalibratedAt = b.calibrated(r.Meter, r.MeasuredAt)
	}
	a := insulation.Assess(&r, l.platform, now)
	l.assessment = wire.AssessmentMessage(&a)
}

// findKnown marks what is known already: in the database, or further up in the
// very request. Another content under a known identity goes on to the worker,
// which keeps it aside as a conflict; the answer notes it.
func (s *Service) findKnown(ctx context.Context, sub *submission) error {
	lines := make(map[store.ReadingKey]*line, len(sub.readings))
	for l := range sub.fine {
		if l.code != nil {
			continue
		}
		key := store.ReadingKey{ID: l.reading.ID, MeasuredAt: l.reading.MeasuredAt}
		if first, ok := lines[key]; ok {
			l.compare(wire.ContentHash(&first.reading))
			continue
		}
		lines[key] = l
	}
	if len(lines) == 0 {
		return nil
	}
	known, err := s.books.contents(ctx, sub.caller.Organisation, slices.AppendSeq(make([]store.ReadingKey, 0, len(lines)), maps.Keys(lines)))
	if err != nil || len(known) == 0 {
		return err
	}
	for key, l := range lines {
		if content, ok := known[key]; ok {
			l.compare(content)
		}
	}
	return nil
}

// compare holds a reading against the content known under its identity.
func (l *line) compare(content [32]byte) {
	if content == wire.ContentHash(&l.reading) {
		l.duplicate = true
		return
	}
	l.assessment.Notes = append(l.assessment.Notes, &creepagev1.Note{Code: "identity_taken",
		Text: "another reading stands under this reading_id and measure_time; this one is kept aside as a conflict (GET /v1/conflicts)"})
}
