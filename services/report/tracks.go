package report

import (
	"context"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/store"
)

// tracksReport is the trend of every group of every vehicle over time.
func tracksReport() *report {
	return &report{
		Table: Table{Name: "tracks", Title: "Tracks with their trend", Columns: []Column{
			{"vehicle", Text, "", "Vehicle."},
			{"platform", Text, "", "Its platform."},
			{"component", Text, "", "The part; system is the whole vehicle."},
			{"group", Text, "", "The conductor group whose insulation it is: hv_plus, hv_minus, phases, phase_u, phase_v, phase_w, all; of the whole vehicle parallel or weaker_pole."},
			{"day_end", Time, "", "The end of the UTC day up to which readings were used."},
			{"median_ohm", Number, "ohm", "Resistance at 20 Cel and dry, median of what was believed."},
			{"p10_ohm", Number, "ohm", "The same, 10 % quantile."},
			{"p90_ohm", Number, "ohm", "The same, 90 % quantile."},
			{"change_decade_per_30d", Number, "decade/30 d", "Expected change; a decade is a factor of ten; negative when falling."},
			{"change_decade_per_30d_sd", Number, "decade/30 d", "Standard deviation of that."},
			{"declining_probability", Number, "1", "Probability that the part has been declining."},
			{"readings", Integer, "", "Readings used so far."},
			{"service_limit_ohm", Number, "ohm", "The platform's service limit; empty: none."},
		}, Courses: &Courses{Title: "%s", Each: "vehicle", Series: []string{"component", "group"}, X: "day_end", Y: "median_ohm", Axis: "ohm"}},
		description: "The level and slope of every track at up to 120 days on which something was recorded, by the very computation that warns. Vehicle by vehicle.",
		fields:      store.ReportVehicleFields,
		rangeOf:     "day_end",
		rows:        trackRows,
		pages:       vehiclePages,
	}
}

// vehiclesAtOnce is how many vehicles are asked for at a time.
const vehiclesAtOnce = 200

func trackRows(ctx context.Context, s *Service, tx *store.Tx, q *query, put func([]Value) error) error {
	versions, err := tx.PlatformVersions(ctx)
	if err != nil {
		return err
	}
	for after := ""; ; {
		vehicles, err := tx.ReportVehicles(ctx, q.where, after, vehiclesAtOnce)
		if err != nil {
			return err
		}
		for i := range vehicles {
			if err := s.trackRowsOf(ctx, tx, q, &vehicles[i], versions, put); err != nil {
				return err
			}
		}
		if len(vehicles) < vehiclesAtOnce {
			return nil
		}
		after = vehicles[len(vehicles)-1].Name
	}
}

func (s *Service) trackRowsOf(ctx context.Context, tx *store.Tx, q *query, v *store.Vehicle, versions []insulation.Platform, put func([]Value) error) error {
	entries, err := tx.History(ctx, v.Key, q.in.AsOf)
	if err != nil {
		return err
	}
	platform := insulation.Platform{}
	if p := insulation.Holding(versions, v.Platform, q.in.AsOf); p != nil {
		platform = *p
	}
	model, err := tx.Model(ctx, s.models)
	if err != nil {
		return err
	}
	tracks, err := model.Tracks(v.Name, &platform, entries)
	if err != nil {
		return err
	}
	cells := make([]Value, len(tracksReport().Columns))
	for i := range tracks {
		group := tracks[i].Group
		for j := range tracks[i].Points {
			at, part := tracks[i].Points[j].End, &tracks[i].Points[j].Part
			if !within(at, q.in) {
				continue
			}
			c := filler{cells: cells}
			c.text(v.Name, v.Platform, group.Component.String(), group.Conductor.String()).time(at)
			c.number(part.LevelNow.P50, part.LevelNow.P10, part.LevelNow.P90, -part.Decline, part.DeclineSD, part.Declining)
			c.integer(int64(part.Readings)).number(orNaN(part.ServiceLimit))
			if err := put(cells); err != nil {
				return err
			}
		}
	}
	return ctx.Err()
}

func within(at time.Time, in store.ReportRange) bool {
	return (in.Start.IsZero() || !at.Before(in.Start)) && (in.End.IsZero() || at.Before(in.End))
}
