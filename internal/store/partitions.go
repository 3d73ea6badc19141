package store

import (
	"context"
	"time"
)

// EnsurePartitions makes the partitions of the months in which the times lie.
// It is a transaction of its own, and asks the database once for each month.
func (s *Store) EnsurePartitions(ctx context.Context, times ...time.Time) error {
	for _, t := range times {
		month := time.Date(t.UTC().Year(), t.UTC().Month(), 1, 0, 0, 0, 0, time.UTC)
		s.mu.Lock()
		made := s.made[month]
		s.mu.Unlock()
		if made {
			continue
		}
		if _, err := s.pool.Exec(ctx, `SELECT make_reading_partition($1)`, month); err != nil {
			return fail("make the partition of "+month.Format("2006-01"), err)
		}
		s.mu.Lock()
		s.made[month] = true
		s.mu.Unlock()
	}
	return nil
}
