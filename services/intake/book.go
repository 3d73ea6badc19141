package intake

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"

	"creepage/internal/insulation"
	"creepage/internal/store"
)

// bookFor is how long an organisation's platforms, shops and vehicles are
// remembered, so that a busy sender costs a few queries a second.
const bookFor = 2 * time.Second

// mostVehicles bounds a book's memory.
const mostVehicles = 100_000

// book is what intake knows of one organisation for a moment.
type book struct {
	until     time.Time
	platforms map[string][]insulation.Platform // versions, oldest first
	shops     map[string]bool
	meters    map[string][]store.Calibration // newest first
	vehicles  map[string]string              // vehicle to platform, both ids; grows as vehicles are asked for
}

// platform returns the version of a platform that held at a time, the first
// one for times before all of them, nil if there is no such platform.
func (b *book) platform(id string, at time.Time) *insulation.Platform {
	versions := b.platforms[id]
	if len(versions) == 0 {
		return nil
	}
	chosen := &versions[0]
	for i := range versions {
		if !versions[i].ValidFrom.After(at) {
			chosen = &versions[i]
		}
	}
	return chosen
}

// books holds a book for each organisation.
type books struct {
	store *store.Store
	now   func() time.Time

	mu sync.Mutex
	of map[uuid.UUID]*book
}

func newBooks(db *store.Store, now func() time.Time) *books {
	return &books{store: db, now: now, of: map[uuid.UUID]*book{}}
}

// wanted is what a request asks a book for.
type wanted struct {
	vehicles, shops, platforms []string
}

// holds says whether the book has every shop and platform of a request. One
// that was made a moment ago must not be refused for an old book.
func (b *book) holds(w wanted) bool {
	for _, id := range w.shops {
		if !b.shops[id] {
			return false
		}
	}
	for _, id := range w.platforms {
		if len(b.platforms[id]) == 0 {
			return false
		}
	}
	return true
}

// open returns the organisation's book, with every vehicle of the request that
// is registered. It asks the database only for what it does not remember.
func (bs *books) open(ctx context.Context, organisation uuid.UUID, w wanted) (*book, error) {
	now := bs.now()
	bs.mu.Lock()
	kept := bs.of[organisation]
	bs.mu.Unlock()
	fresh := kept != nil && now.Before(kept.until) && kept.holds(w)
	missing := w.vehicles
	if fresh {
		missing = slices.DeleteFunc(slices.Clone(w.vehicles), func(n string) bool { _, ok := kept.vehicles[n]; return ok })
		if len(missing) == 0 {
			return kept, nil
		}
	}
	read := &book{until: now.Add(bookFor), vehicles: map[string]string{}}
	err := bs.store.AsOrganisation(ctx, organisation, func(tx *store.Tx) error {
		var err error
		if fresh {
			read.until, read.platforms, read.shops, read.meters = kept.until, kept.platforms, kept.shops, kept.meters
			if len(kept.vehicles) < mostVehicles {
				maps.Copy(read.vehicles, kept.vehicles) // a book is never changed once others can see it
			}
		} else if err = read.fill(ctx, tx); err != nil {
			return err
		}
		found, err := tx.PlatformsOfVehicles(ctx, missing)
		maps.Copy(read.vehicles, found)
		return err
	})
	if err != nil {
		return nil, err
	}
	bs.mu.Lock()
	defer bs.mu.Unlock()
	bs.of[organisation] = read
	return read, nil
}

func (b *book) fill(ctx context.Context, tx *store.Tx) error {
	versions, err := tx.PlatformVersions(ctx)
	if err != nil {
		return err
	}
	b.platforms = map[string][]insulation.Platform{}
	for _, p := range versions {
		b.platforms[p.ID] = append(b.platforms[p.ID], p)
	}
	ids, err := tx.ShopIDs(ctx)
	if err != nil {
		return err
	}
	b.shops = map[string]bool{}
	for _, id := range ids {
		b.shops[id] = true
	}
	b.meters, err = tx.CalibrationsOfMeters(ctx)
	return err
}

// calibrated returns when a meter had last been calibrated at a time, by the
// organisation's register; the zero time if that is not known.
func (b *book) calibrated(meter string, at time.Time) time.Time {
	for _, c := range b.meters[meter] {
		if !c.At.After(at) {
			return c.At
		}
	}
	return time.Time{}
}
