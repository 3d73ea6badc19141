package store

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
)

// ReportVehicleFields are the fields that the report of tracks can be filtered
// by: those of the list and the vehicle itself.
func ReportVehicleFields() filter.Fields {
	return append(VehicleFields(), filter.Field{Name: "vehicle", Kind: filter.Name, Collection: "vehicles"},
		filter.Field{Name: "last_shop", Kind: filter.Name, Collection: "shops"})
}

func reportVehicleColumns() columns {
	c := vehicleListColumns()
	c["vehicle"] = column{sql: "v.name", wildcard: true}
	c["last_shop"] = column{sql: "s.last_shop"}
	return c
}

// ReportVehicles lists vehicles by name, in the order of its bytes, those after a name.
func (t *Tx) ReportVehicles(ctx context.Context, where *filter.Expression, after string, limit int) ([]Vehicle, error) {
	args := arguments{t.organisation, after, limit}
	condition, err := reportVehicleColumns().where(where, &args)
	if err != nil {
		return nil, err
	}
	rows, err := t.tx.Query(ctx, `SELECT `+vehicleColumns+` FROM vehicles v LEFT JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE v.organisation_id = $1 AND v.merged_into IS NULL AND v.name COLLATE "C" > $2 AND `+condition+` ORDER BY v.name COLLATE "C" LIMIT $3`, args...)
	if err != nil {
		return nil, fail("report vehicles", err)
	}
	list, err := pgx.CollectRows(rows, scanVehicle)
	return list, fail("report vehicles", err)
}

func isNotFound(err error) bool { return errors.Is(err, ErrNotFound) }
