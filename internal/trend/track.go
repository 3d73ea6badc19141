package trend

import (
	"slices"
	"time"

	"creepage/internal/insulation"
)

// MostTrackPoints is how many times of a track are given at most: enough for a
// chart, and a bound on the work a vehicle of daily values asks for.
const MostTrackPoints = 120

// Track is the trend of one group of a vehicle.
type Track struct {
	Group  GroupKey
	Points []TrackPoint // oldest first
}

// TrackPoint is what was known of the group at the end of a day.
type TrackPoint struct {
	End  time.Time // of the UTC day
	Part Part
}

// Tracks folds entries, in any order, day by day, as the worker does, and reads
// every group off at the end of evenly chosen days that had entries, the last
// one always among them. The order is that in which the groups were first seen.
func (m *Model) Tracks(id string, p *insulation.Platform, entries []Entry) ([]Track, error) {
	days := byDay(entries)
	v := NewVehicle(id)
	place := map[GroupKey]int{}
	var tracks []Track
	step := (len(days) + MostTrackPoints - 1) / MostTrackPoints
	for i, day := range days {
		if err := m.Add(v, p, day); err != nil {
			return nil, err
		}
		if (len(days)-1-i)%step != 0 {
			continue
		}
		end := dayOf(day[0].Time()).start().Add(24 * time.Hour)
		o := m.Outlook(v, p, end)
		for j := range o.Parts {
			part := &o.Parts[j]
			if part.Readings == 0 {
				continue
			}
			at, ok := place[part.Group]
			if !ok {
				at = len(tracks)
				place[part.Group] = at
				tracks = append(tracks, Track{Group: part.Group})
			}
			tracks[at].Points = append(tracks[at].Points, TrackPoint{End: end, Part: *part})
		}
	}
	return tracks, nil
}

// byDay sorts entries and cuts them into UTC days.
func byDay(entries []Entry) [][]Entry {
	all := slices.Clone(entries)
	slices.SortStableFunc(all, func(a, b Entry) int { return a.Time().Compare(b.Time()) })
	var days [][]Entry
	for i, e := range all {
		if i == 0 || dayOf(e.Time()) != dayOf(all[i-1].Time()) {
			days = append(days, nil)
		}
		days[len(days)-1] = append(days[len(days)-1], e)
	}
	return days
}
