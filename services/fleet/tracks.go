package fleet

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

// mostEstimates is how many times of a track are given at most: enough for a
// chart, and a bound on the work a vehicle of daily values asks for.
const mostEstimates = 120

// ListTracks lists a vehicle's tracks with their estimates over time, by the
// very fold that the worker does.
func (s *Service) ListTracks(ctx context.Context, req *creepagev1.ListTracksRequest) (*creepagev1.ListTracksResponse, error) {
	id, err := idOf("parent", wire.Vehicles, req.GetParent())
	if err != nil {
		return nil, err
	}
	var (
		entries  []trend.Entry
		platform insulation.Platform
	)
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) error {
		v, err := tx.Vehicle(ctx, id)
		if err != nil {
			return notFound(err, req.GetParent())
		}
		versions, err := tx.PlatformVersions(ctx)
		if err != nil {
			return err
		}
		if p := holding(versions, v.Platform, s.now()); p != nil {
			platform = *p
		}
		entries, err = tx.History(ctx, v.Key)
		return err
	})
	if err != nil {
		return nil, err
	}
	tracks, err := s.fold(id, &platform, entries)
	if err != nil {
		return nil, err
	}
	return &creepagev1.ListTracksResponse{Tracks: tracks}, nil
}

// fold replays the entries day by day and reads the levels off at the end of
// evenly chosen days that had readings, the last one always among them.
func (s *Service) fold(vehicle string, p *insulation.Platform, entries []trend.Entry) ([]*creepagev1.Track, error) {
	days := byDay(entries)
	memory := trend.NewVehicle(vehicle)
	made := map[trend.GroupKey]*creepagev1.Track{}
	var tracks []*creepagev1.Track
	step := (len(days) + mostEstimates - 1) / mostEstimates
	for i, day := range days {
		if err := s.model.Add(memory, p, day); err != nil {
			return nil, err
		}
		if (len(days)-1-i)%step != 0 {
			continue
		}
		end := day[0].Time().UTC().Truncate(24 * time.Hour).Add(24 * time.Hour)
		o := s.model.Outlook(memory, p, end)
		for j := range o.Parts {
			part := &o.Parts[j]
			if part.Readings == 0 {
				continue
			}
			track, ok := made[part.Group]
			if !ok {
				track = &creepagev1.Track{Component: creepagev1.Reading_Component(part.Group.Component), Group: part.Group.Conductor.String()}
				made[part.Group] = track
				tracks = append(tracks, track)
			}
			track.Estimates = append(track.Estimates, &creepagev1.Estimate{Time: timestamppb.New(end),
				MedianOhms: part.LevelNow.P50, P10Ohms: part.LevelNow.P10, P90Ohms: part.LevelNow.P90})
		}
	}
	return tracks, nil
}

// byDay sorts entries and cuts them into UTC days.
func byDay(entries []trend.Entry) [][]trend.Entry {
	slices.SortStableFunc(entries, func(a, b trend.Entry) int { return a.Time().Compare(b.Time()) })
	var days [][]trend.Entry
	for i, e := range entries {
		if i == 0 || !e.Time().UTC().Truncate(24*time.Hour).Equal(entries[i-1].Time().UTC().Truncate(24*time.Hour)) {
			days = append(days, nil)
		}
		days[len(days)-1] = append(days[len(days)-1], e)
	}
	return days
}
