package fleet

import (
	"errors"
	"fmt"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// notFound names the resource where the store only says that there is none.
func notFound(err error, name string) error {
	if errors.Is(err, store.ErrNotFound) {
		return problem.NotFound(name).Because(err)
	}
	return err
}

// taken names the resource where the store only says that there is one.
func taken(err error, name string) error {
	if errors.Is(err, store.ErrConflict) {
		return problem.Exists(name).Because(err)
	}
	return err
}

// under puts the fields of a resource under the request's field.
func under(field string, err error) error {
	var fields wire.FieldErrors
	if errors.As(err, &fields) {
		return fields.Under(field)
	}
	return err
}

// outlookMessage turns a stored outlook into its message. In lists the parts,
// the curve and the doubted readings are left out.
func outlookMessage(row *store.Outlook, whole bool) (*creepagev1.Outlook, error) {
	m := &creepagev1.Outlook{}
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(row.Details, m); err != nil {
		return nil, fmt.Errorf("read the outlook of %s: %w", row.Vehicle, err)
	}
	if !whole {
		m.Parts, m.Curve, m.Doubted = nil, nil, nil
	}
	m.Name, m.Vehicle, m.Platform = wire.OutlookName(row.Vehicle), wire.Vehicles.Name(row.Vehicle), wire.Platforms.Name(row.Platform)
	m.LastMeasureTime = wire.Timestamp(row.LastMeasuredAt)
	if row.LastShop != "" {
		shop := wire.Shops.Name(row.LastShop)
		m.LastShop = &shop
	}
	return m, nil
}

func assessedMessage(row *store.Reading) (*creepagev1.AssessedReading, error) {
	m := &creepagev1.AssessedReading{Reading: wire.ReadingMessage(&row.Reading), Assessment: &creepagev1.Assessment{}}
	if row.VoidReason != "" {
		m.Reading.VoidReason = &row.VoidReason
	}
	if err := proto.Unmarshal(row.Assessment, m.Assessment); err != nil {
		return nil, fmt.Errorf("read the assessment of reading %s: %w", row.ID, err)
	}
	return m, nil
}

func componentOf(c creepagev1.Reading_Component) insulation.Component { return insulation.Component(c) }

func repairName(vehicle string, r *store.Repair) string {
	return wire.Vehicles.Name(vehicle) + "/repairs/" + r.ID.String()
}

func repairMessage(vehicle string, r *store.Repair) *creepagev1.Repair {
	return &creepagev1.Repair{Name: repairName(vehicle, r), Component: creepagev1.Reading_Component(r.Component), Kind: creepagev1.Repair_Kind(r.Kind),
		OccurTime: wire.Timestamp(r.OccurredAt), Note: wire.Text(r.Note), CreateTime: wire.Timestamp(r.CreatedAt)}
}
