package store

import "context"

// Pending returns how many vehicles have a change that is not evaluated yet,
// over all organisations; it needs the worker's login.
func (s *Store) Pending(ctx context.Context) (int, error) {
	var n int
	err := s.pool.QueryRow(ctx, `SELECT count(*) FROM vehicle_states WHERE changed_at IS NOT NULL OR replay_from IS NOT NULL OR backfilled_at IS NOT NULL`).Scan(&n)
	return n, fail("count what is pending", err)
}
