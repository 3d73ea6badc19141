package worker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	streamv1 "creepage/api/creepage/stream/v1"
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/stream"
	"creepage/internal/wire"
)

// Limits bound a batch: one that holds this many entries or bytes takes no
// further message. A batch grows while the one before it is being committed:
// under a backlog batches are therefore large, when there is little to do they
// are small and wait for nothing.
type Limits struct {
	Entries int
	Bytes   int
}

// DefaultLimits: inserting gains little beyond 4,000 rows a transaction, but the
// memory of a vehicle is read and written once a batch, however many of its
// visits are in it.
func DefaultLimits() Limits {
	return Limits{Entries: 16_000, Bytes: 8 << 20}
}

// batch is what goes into one transaction.
type batch struct {
	messages []*stream.Message
	entries  []entry
	refused  []refusal
	bytes    int
}

// entry is one decoded entry: a reading or a code.
type entry struct {
	message      *stream.Message
	raw          *streamv1.Entry
	organisation uuid.UUID
	receivedAt   time.Time
	backfill     bool
	reading      *insulation.Reading // nil for a code
	code         *insulation.Code
}

// refusal is an entry that can never be processed. It goes to the quarantine
// by itself; the other entries of its message are committed.
type refusal struct {
	message *stream.Message
	raw     *streamv1.Entry
	reason  string
}

// vehicleName is the vehicle's id as the sender wrote it.
func (e *entry) vehicleName() string {
	if e.reading != nil {
		return e.reading.Vehicle
	}
	return e.code.Vehicle
}

// decode reads one entry. An error is permanent: intake sends nothing that
// cannot be read.
func (e *entry) decode() (err error) {
	m := e.raw
	if e.organisation, err = uuid.FromBytes(m.GetOrganisationId()); err != nil {
		return fmt.Errorf("organisation_id: %w", err)
	}
	if err := m.GetReceiveTime().CheckValid(); err != nil {
		return fmt.Errorf("receive_time: %w", err)
	}
	e.receivedAt = m.GetReceiveTime().AsTime().Truncate(time.Microsecond)
	e.backfill = m.GetBackfill()
	switch content := m.GetContent().(type) {
	case *streamv1.Entry_Reading:
		r, err := wire.Reading(content.Reading)
		if err != nil {
			return fmt.Errorf("reading: %w", err)
		}
		if r.ID == "" {
			return errors.New("reading: reading_id: is missing; intake derives one")
		}
		r.ReceivedAt = e.receivedAt
		if e.backfill {
			r.ReceivedAt = arrived(content.Reading, &r)
		}
		e.reading = &r
	case *streamv1.Entry_Code:
		c, err := wire.Code(content.Code)
		if err != nil {
			return fmt.Errorf("code: %w", err)
		}
		e.code = &c
	default:
		return errors.New("holds neither a reading nor a code")
	}
	return nil
}

// read decodes a message into a batch of its own; nil if it cannot be read and
// went to the quarantine.
func (w *Worker) read(ctx context.Context, m *stream.Message) *batch {
	var content streamv1.Batch
	if err := proto.Unmarshal(m.Payload, &content); err != nil {
		w.setAside(ctx, m, fmt.Sprintf("the message is no batch: %v", err))
		return nil
	}
	b := &batch{messages: []*stream.Message{m}, bytes: len(m.Payload), entries: make([]entry, 0, len(content.GetEntries()))}
	for i, raw := range content.GetEntries() {
		e := entry{message: m, raw: raw}
		if err := e.decode(); err != nil {
			b.refused = append(b.refused, refusal{m, raw, fmt.Sprintf("entries[%d]: %v", i, err)})
			continue
		}
		b.entries = append(b.entries, e)
	}
	return b
}

// add puts another batch's messages behind those of b.
func (b *batch) add(o *batch) {
	b.messages = append(b.messages, o.messages...)
	b.entries = append(b.entries, o.entries...)
	b.refused = append(b.refused, o.refused...)
	b.bytes += o.bytes
}

// full says whether the batch takes no further message.
func (b *batch) full(l Limits) bool { return len(b.entries) >= l.Entries || b.bytes >= l.Bytes }

// arrived is when an old record arrived, as far as is known: when its sender
// says it did, or else when it was measured.
func arrived(m *creepagev1.Reading, r *insulation.Reading) time.Time {
	if at := m.GetReceiveTime(); at.IsValid() {
		return at.AsTime().Truncate(time.Microsecond)
	}
	return r.MeasuredAt
}
