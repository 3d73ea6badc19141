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

// Limits bound a batch: it is closed when it holds this many entries or bytes,
// or when no further message is there within Linger. Under a backlog batches
// are therefore large, when there is little to do they are small.
type Limits struct {
	Entries int
	Bytes   int
	Linger  time.Duration
}

// DefaultLimits: inserting pays most from 2,000 rows a transaction on, and
// little beyond 4,000.
func DefaultLimits() Limits {
	return Limits{Entries: 4000, Bytes: 4 << 20, Linger: time.Millisecond}
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

// assemble waits for a message and gathers what else is there into one batch.
// The error is stream.ErrClosed when the consumer has handed out its last, or
// the context's own. Messages that cannot be read go to the quarantine at once.
func (w *Worker) assemble(ctx context.Context, c *stream.Consumer) (*batch, error) {
	b := new(batch)
	for len(b.messages) == 0 {
		m, err := c.Next(ctx)
		if err != nil {
			return nil, err
		}
		w.take(ctx, b, m)
	}
	for len(b.entries) < w.limits.Entries && b.bytes < w.limits.Bytes {
		m, err := c.NextWithin(w.limits.Linger)
		if err != nil || m == nil { // what is here is worth a batch; the error comes again
			break
		}
		w.take(ctx, b, m)
	}
	return b, nil
}

// take decodes a message into the batch, or sets it aside.
func (w *Worker) take(ctx context.Context, b *batch, m *stream.Message) {
	var content streamv1.Batch
	if err := proto.Unmarshal(m.Payload, &content); err != nil {
		w.setAside(ctx, m, fmt.Sprintf("the message is no batch: %v", err))
		return
	}
	b.messages = append(b.messages, m)
	b.bytes += len(m.Payload)
	for i, raw := range content.GetEntries() {
		e := entry{message: m, raw: raw}
		if err := e.decode(); err != nil {
			b.refused = append(b.refused, refusal{m, raw, fmt.Sprintf("entries[%d]: %v", i, err)})
			continue
		}
		b.entries = append(b.entries, e)
	}
}

// arrived is when an old record arrived, as far as is known: when its sender
// says it did, or else when it was measured.
func arrived(m *creepagev1.Reading, r *insulation.Reading) time.Time {
	if at := m.GetReceiveTime(); at.IsValid() {
		return at.AsTime().Truncate(time.Microsecond)
	}
	return r.MeasuredAt
}
