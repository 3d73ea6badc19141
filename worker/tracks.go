package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/bits"
	"slices"
	"time"

	"github.com/google/uuid"

	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/trend"
)

// A vehicle's memory is kept once more when its open day has moved so far and
// so many entries were folded since: a late row costs replaying about the more of
// the two. Folding a row takes microseconds, while a checkpoint takes as much of
// the database as fifty readings.
const (
	checkpointEvery   = 45 * 24 * time.Hour
	checkpointEntries = 250
)

// track is one vehicle in a transaction's hands: its row, which is locked, the
// memory of its trend, and what there is to add.
type track struct {
	vehicle     store.Tracked
	state       *store.State
	model       *trend.Model          // of its organisation
	platforms   []insulation.Platform // the versions of its platform, oldest first
	policy      trend.Policy          // of its organisation; only where it is evaluated
	keepAfter   int                   // entries from which on the memory is kept once more
	memory      *trend.Vehicle
	added       []trend.Entry
	checkpoints []store.Checkpoint // to be kept
	replayFrom  time.Time          // the earliest day that has changed; zero: nothing to replay
	replayAll   bool
	replayed    bool
	left        bool // its memory is of other parameters and left to the evaluator
}

// platformAt is the version of the vehicle's platform that holds on a day: the
// latest that is valid at its start, or else the first there is.
func (t *track) platformAt(day time.Time) *insulation.Platform {
	at := &t.platforms[0]
	for i := range t.platforms {
		if v := &t.platforms[i]; !v.ValidFrom.After(day) {
			at = v
		}
	}
	return at
}

// load decodes the vehicle's memory. One that was made by other parameters, or
// by a version of the program that wrote it differently, is made anew from the
// vehicle's rows.
func (t *track) load() {
	t.replayFrom = startOfDay(t.state.ReplayFrom)
	t.memory = trend.NewVehicle(t.vehicle.Name)
	if len(t.state.Memory) == 0 {
		return
	}
	if t.memory.UnmarshalBinary(t.state.Memory) != nil || t.memory.Version() != t.model.TrackVersion() {
		t.memory = trend.NewVehicle(t.vehicle.Name)
		t.replayAll = true
		return
	}
	t.model.Resume(t.memory, t.platformAt(t.memory.OpenDay()))
}

// add puts the new entries into the memory. Entries older than the open day
// are not added: they are in the database already, and replayFrom says from
// where the vehicle has to be replayed.
func (t *track) add(entries []trend.Entry) error {
	slices.SortStableFunc(entries, func(a, b trend.Entry) int { return a.Time().Compare(b.Time()) })
	for len(entries) > 0 {
		day := startOfDay(entries[0].Time())
		if open := t.memory.OpenDay(); !open.IsZero() && day.Before(open) || t.replayAll || !t.replayFrom.IsZero() {
			t.lateFrom(day)
			return nil
		}
		n := 1
		for n < len(entries) && startOfDay(entries[n].Time()).Equal(day) {
			n++
		}
		if err := t.addDay(day, entries[:n]); err != nil {
			return err
		}
		entries = entries[n:]
	}
	return nil
}

// lateFrom notes that the vehicle has to be replayed from a day on.
func (t *track) lateFrom(day time.Time) {
	if t.replayFrom.IsZero() || day.Before(t.replayFrom) {
		t.replayFrom = day
	}
}

// addDay adds the entries of one day, after keeping the memory as it is if the
// open day is about to close and none has been kept for a while.
func (t *track) addDay(day time.Time, entries []trend.Entry) error {
	if open := t.memory.OpenDay(); !open.IsZero() && day.After(open) && open.Sub(t.state.CheckpointedAt) >= checkpointEvery && t.state.SinceCheckpoint >= t.keepAfter {
		memory, err := t.memory.MarshalClosed()
		if err != nil {
			return fmt.Errorf("vehicle %s: encode its memory: %w", t.vehicle.Name, err)
		}
		t.checkpoints = append(t.checkpoints, store.Checkpoint{Vehicle: t.vehicle.Key, Day: open, Memory: memory})
		t.state.CheckpointedAt, t.state.SinceCheckpoint = open, 0
	}
	t.state.SinceCheckpoint += len(entries)
	if err := t.model.Add(t.memory, t.platformAt(day), entries); err != nil {
		return fmt.Errorf("vehicle %s: %w", t.vehicle.Name, err)
	}
	return nil
}

// toReplay says whether the memory has to be made anew, and from which day.
func (t *track) toReplay() (from time.Time, yes bool) {
	if t.left {
		return time.Time{}, false
	}
	if t.replayAll {
		return time.Time{}, true
	}
	return t.replayFrom, !t.replayFrom.IsZero()
}

// replayGroup is how many vehicles' rows are in memory at a time while they are
// replayed.
const replayGroup = 16

// replay makes the memories anew of all vehicles that need it: from the newest
// checkpoint before the day that changed, with every row since. A few queries
// serve a group of them.
func replay(ctx context.Context, tx *store.WorkerTx, tracks []*track) (int, error) {
	var late []*track
	for _, t := range tracks {
		if _, yes := t.toReplay(); yes {
			late = append(late, t)
		}
	}
	for group := range slices.Chunk(late, replayGroup) {
		if err := replayTogether(ctx, tx, group); err != nil {
			return 0, err
		}
	}
	return len(late), nil
}

func replayTogether(ctx context.Context, tx *store.WorkerTx, late []*track) error {
	before := map[int64]time.Time{}
	for _, t := range late {
		before[t.vehicle.Key], _ = t.toReplay()
	}
	// Checkpoints of the changed day and after it hold what no longer stands.
	checkpoints, err := tx.CheckpointsBefore(ctx, before)
	if err != nil {
		return err
	}
	since := map[int64]time.Time{}
	for _, t := range late {
		t.memory, t.state.CheckpointedAt, t.state.SinceCheckpoint = trend.NewVehicle(t.vehicle.Name), time.Time{}, 0
		since[t.vehicle.Key] = time.Time{}
		c, ok := checkpoints[t.vehicle.Key]
		if !ok || t.replayAll {
			continue
		}
		kept := trend.NewVehicle(t.vehicle.Name)
		if kept.UnmarshalBinary(c.Memory) != nil || kept.Version() != t.model.TrackVersion() {
			continue
		}
		t.model.Resume(kept, t.platformAt(c.Day))
		t.memory, t.state.CheckpointedAt = kept, c.Day
		since[t.vehicle.Key] = c.Day.AddDate(0, 0, 1)
	}
	entries, err := tx.EntriesSince(ctx, since)
	if err != nil {
		return err
	}
	for _, t := range late {
		t.replayAll, t.replayFrom, t.state.ReplayFrom, t.replayed = false, time.Time{}, time.Time{}, true
		t.checkpoints = nil
		if err := t.add(entries[t.vehicle.Key]); err != nil {
			return fmt.Errorf("replay: %w", err)
		}
		if !t.replayFrom.IsZero() {
			return fmt.Errorf("replay: vehicle %s: an entry of %s came after the checkpoint's day", t.vehicle.Name, t.replayFrom.Format(time.DateOnly))
		}
	}
	return nil
}

// save writes the tracks' rows and checkpoints.
func save(ctx context.Context, tx *store.WorkerTx, tracks []*track) error {
	states := make([]*store.State, 0, len(tracks))
	var checkpoints []store.Checkpoint
	var owners []uuid.UUID // of the checkpoints
	stale := map[int64]time.Time{}
	for _, t := range tracks {
		t.state.Memory = nil // as it stands in the row
		if !t.left && (t.replayed || len(t.added) > 0) {
			memory, err := t.memory.MarshalBinary()
			if err != nil {
				return fmt.Errorf("vehicle %s: encode its memory: %w", t.vehicle.Name, err)
			}
			t.state.Memory, t.state.ParamsVersion = memory, t.memory.Version()
		}
		states = append(states, t.state)
		if t.replayed { // what was kept after the checkpoint it was replayed from
			stale[t.vehicle.Key] = replayedFrom(t)
		}
		for _, c := range thinned(t.checkpoints) {
			checkpoints, owners = append(checkpoints, c), append(owners, t.vehicle.Organisation)
		}
	}
	if err := tx.DropCheckpoints(ctx, stale); err != nil {
		return err
	}
	if err := tx.SaveCheckpoints(ctx, owners, checkpoints); err != nil {
		return err
	}
	return tx.SaveStates(ctx, states)
}

// thinned leaves of new checkpoints, oldest first, those that the store would
// leave of them: of those whose age, in units of 8 days, lies between two powers
// of two, the oldest.
func thinned(checkpoints []store.Checkpoint) []store.Checkpoint {
	var kept []store.Checkpoint
	last := -1
	for _, c := range checkpoints {
		age := checkpoints[len(checkpoints)-1].Day.Sub(c.Day)
		if power := bits.Len64(uint64(age/(8*24*time.Hour)) + 1); power != last {
			kept, last = append(kept, c), power
		}
	}
	return kept
}

// replayedFrom is the first day whose checkpoints do not stand any more.
func replayedFrom(t *track) time.Time {
	if len(t.checkpoints) > 0 {
		return t.checkpoints[0].Day
	}
	if !t.state.CheckpointedAt.IsZero() {
		return t.state.CheckpointedAt.AddDate(0, 0, 1)
	}
	return time.Time{}
}

// rule decodes the memory of the vehicle's warn rule.
func (t *track) rule() (trend.RuleState, error) {
	var rs trend.RuleState
	if len(t.state.Rule) == 0 {
		return rs, nil
	}
	if err := json.Unmarshal(t.state.Rule, &rs); err != nil {
		return rs, errors.Join(fmt.Errorf("vehicle %s: the rule's memory cannot be read", t.vehicle.Name), err)
	}
	return rs, nil
}

// startOfDay is the start of a time's UTC day; the zero time stays zero.
func startOfDay(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.UTC().Truncate(24 * time.Hour)
}
