package intake

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"

	"creepage/internal/insulation"
	"creepage/internal/store"
)

// bookFor is how long an organisation's platforms, shops and vehicles are
// remembered, so that a busy sender costs a few queries a second.
const bookFor = 2 * time.Second

// mostVehicles bounds what is remembered of an organisation.
const mostVehicles = 100_000

// register is what intake remembers of an organisation's platforms, shops and
// meters. It is never changed once others can see it.
type register struct {
	platforms map[string][]insulation.Platform // versions, oldest first
	shops     map[string]bool
	meters    map[string][]store.Calibration // newest first
}

// book is what a request asks of an organisation's register, and the platforms
// of its vehicles, both ids, as far as they are registered.
type book struct {
	*register
	vehicles map[string]string
}

// platform returns the version of a platform that held at a time, the first
// one for times before all of them, nil if there is no such platform.
func (r *register) platform(id string, at time.Time) *insulation.Platform {
	versions := r.platforms[id]
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

// books remembers every organisation's register and vehicles for a moment.
type books struct {
	store *store.Store
	now   func() time.Time

	mu sync.Mutex
	of map[uuid.UUID]*shelf
}

// shelf is what is remembered of one organisation, and what is being asked of it.
type shelf struct {
	filling   sync.Mutex // held by the one that asks for the register; the others wait for it
	platforms *gather[string, string]
	contents  *gather[store.ReadingKey, [32]byte]

	mu       sync.Mutex
	register *register // nil: none yet
	until    time.Time
	vehicles map[string]string // as they are asked for
}

func newBooks(db *store.Store, now func() time.Time) *books {
	return &books{store: db, now: now, of: map[uuid.UUID]*shelf{}}
}

func (bs *books) shelf(organisation uuid.UUID) *shelf {
	bs.mu.Lock()
	defer bs.mu.Unlock()
	s := bs.of[organisation]
	if s == nil {
		s = &shelf{platforms: newGather(asking(bs.store, organisation, (*store.Tx).PlatformsOfVehicles)),
			contents: newGather(asking(bs.store, organisation, (*store.Tx).ContentOfReadings))}
		bs.of[organisation] = s
	}
	return s
}

// asking makes a question of one of the store's, in a transaction of its own.
func asking[K comparable, V any](db *store.Store, organisation uuid.UUID, question func(*store.Tx, context.Context, []K) (map[K]V, error)) func(context.Context, []K) (map[K]V, error) {
	return func(ctx context.Context, keys []K) (found map[K]V, err error) {
		err = db.AsOrganisation(ctx, organisation, func(tx *store.Tx) error {
			found, err = question(tx, ctx, keys)
			return err
		})
		return found, err
	}
}

// contents returns the hash of what is kept under each of the identities that is
// known, and perhaps under others.
func (bs *books) contents(ctx context.Context, organisation uuid.UUID, keys []store.ReadingKey) (map[store.ReadingKey][32]byte, error) {
	return bs.shelf(organisation).contents.find(ctx, keys)
}

// wanted is what a request asks a book for.
type wanted struct {
	vehicles, shops, platforms []string
}

// holds says whether the register has every shop and platform of a request. One
// that was made a moment ago must not be refused for an old register.
func (r *register) holds(w wanted) bool {
	for _, id := range w.shops {
		if !r.shops[id] {
			return false
		}
	}
	for _, id := range w.platforms {
		if len(r.platforms[id]) == 0 {
			return false
		}
	}
	return true
}

// remembered returns what the shelf holds of a request, and the vehicles that
// it does not; nil if its register is old or lacks something.
func (s *shelf) remembered(w wanted, now time.Time) (b *book, missing []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.register == nil || !now.Before(s.until) || !s.register.holds(w) {
		return nil, nil
	}
	b = &book{register: s.register, vehicles: make(map[string]string, len(w.vehicles))}
	for _, id := range w.vehicles {
		if platform, ok := s.vehicles[id]; ok {
			b.vehicles[id] = platform
		} else {
			missing = append(missing, id)
		}
	}
	return b, missing
}

// open returns the organisation's book, with every vehicle of the request that
// is registered. It asks the database only for what it does not remember.
func (bs *books) open(ctx context.Context, organisation uuid.UUID, w wanted) (*book, error) {
	s := bs.shelf(organisation)
	b, missing := s.remembered(w, bs.now())
	if b == nil {
		var err error
		if b, missing, err = bs.fill(ctx, organisation, s, w); err != nil {
			return nil, err
		}
	}
	if len(missing) == 0 {
		return b, nil
	}
	found, err := s.platforms.find(ctx, missing)
	if err != nil {
		return nil, err
	}
	for _, id := range missing {
		if platform, ok := found[id]; ok {
			b.vehicles[id] = platform
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.register == b.register { // what was read before a later register may be older than it
		s.remember(b.vehicles, missing)
	}
	return b, nil
}

// remember keeps the platforms of vehicles that were asked for.
func (s *shelf) remember(platforms map[string]string, vehicles []string) {
	for _, id := range vehicles {
		if platform, ok := platforms[id]; ok && len(s.vehicles) < mostVehicles {
			s.vehicles[id] = platform
		}
	}
}

// fill reads the register anew, and with it the vehicles of a request, unless
// another has just done that.
func (bs *books) fill(ctx context.Context, organisation uuid.UUID, s *shelf, w wanted) (b *book, missing []string, err error) {
	s.filling.Lock()
	defer s.filling.Unlock()
	now := bs.now()
	if b, missing = s.remembered(w, now); b != nil {
		return b, missing, nil
	}
	b = &book{register: &register{}}
	err = bs.store.AsOrganisation(ctx, organisation, func(tx *store.Tx) (err error) {
		if err = b.read(ctx, tx); err != nil {
			return err
		}
		b.vehicles, err = tx.PlatformsOfVehicles(ctx, w.vehicles)
		return err
	})
	if err != nil {
		return nil, nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.register, s.until, s.vehicles = b.register, now.Add(bookFor), map[string]string{}
	s.remember(b.vehicles, w.vehicles)
	return b, nil, nil
}

func (r *register) read(ctx context.Context, tx *store.Tx) error {
	versions, err := tx.PlatformVersions(ctx)
	if err != nil {
		return err
	}
	r.platforms = map[string][]insulation.Platform{}
	for _, p := range versions {
		r.platforms[p.ID] = append(r.platforms[p.ID], p)
	}
	ids, err := tx.ShopIDs(ctx)
	if err != nil {
		return err
	}
	r.shops = map[string]bool{}
	for _, id := range ids {
		r.shops[id] = true
	}
	r.meters, err = tx.CalibrationsOfMeters(ctx)
	return err
}

// calibrated returns when a meter had last been calibrated at a time, by the
// organisation's register; the zero time if that is not known.
func (r *register) calibrated(meter string, at time.Time) time.Time {
	for _, c := range r.meters[meter] {
		if !c.At.After(at) {
			return c.At
		}
	}
	return time.Time{}
}
