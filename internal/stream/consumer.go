package stream

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Consumer hands out messages to one worker. All workers' consumers share one
// durable on the server, so each message goes to one of them.
type Consumer struct {
	messages jetstream.MessagesContext
}

// Consume starts to fetch messages ahead, bounded in bytes.
func (s *Stream) Consume() (*Consumer, error) {
	messages, err := s.consumer.Messages(jetstream.PullMaxBytes(pullMaxBytes), jetstream.PullExpiry(10*time.Second))
	if err != nil {
		return nil, unavailable("consume", err)
	}
	return &Consumer{messages: messages}, nil
}

// Message is one message in a worker's hands. Exactly one of Ack, Retry and
// Term settles it; unsettled, it goes to another worker after ackWait.
type Message struct {
	msg        jetstream.Msg
	Payload    []byte // an encoded Batch
	Subject    string
	Sequence   uint64 // in the stream
	Deliveries uint64 // 1 at the first delivery
	StoredAt   time.Time
}

// Partition is the number of the partition the message came by; 0 for a subject
// that has none.
func (m *Message) Partition() int {
	n, err := strconv.Atoi(strings.TrimPrefix(m.Subject, readingsSubject))
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// Next waits for a message until the context ends. The error is ErrClosed
// after Drain or Stop, or the context's own.
func (c *Consumer) Next(ctx context.Context) (*Message, error) {
	for {
		m, err := c.next(jetstream.NextContext(ctx))
		switch {
		case ctx.Err() != nil && m == nil:
			return nil, ctx.Err()
		case err != nil || m != nil:
			return m, err
		}
	}
}

// NextWithin waits for a message for at most d; nil if none comes.
func (c *Consumer) NextWithin(d time.Duration) (*Message, error) {
	return c.next(jetstream.NextMaxWait(d))
}

func (c *Consumer) next(opt jetstream.NextOpt) (*Message, error) {
	msg, err := c.messages.Next(opt)
	switch {
	case errors.Is(err, jetstream.ErrMsgIteratorClosed):
		return nil, ErrClosed
	case errors.Is(err, nats.ErrTimeout), errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return nil, nil
	case errors.Is(err, jetstream.ErrNoHeartbeat): // the client asks again by itself
		return nil, nil
	case err != nil:
		return nil, unavailable("next message", err)
	}
	meta, err := msg.Metadata()
	if err != nil {
		return nil, fmt.Errorf("message on %s without JetStream's metadata: %w", msg.Subject(), err)
	}
	return &Message{msg: msg, Payload: msg.Data(), Subject: msg.Subject(), Sequence: meta.Sequence.Stream,
		Deliveries: meta.NumDelivered, StoredAt: meta.Timestamp}, nil
}

// Drain stops fetching; Next goes on to hand out what has been fetched and
// returns ErrClosed after the last.
func (c *Consumer) Drain() { c.messages.Drain() }

// Stop stops fetching and drops what has been fetched; it is delivered again
// later.
func (c *Consumer) Stop() { c.messages.Stop() }

// Ack says that the message's content is committed.
func (m *Message) Ack() error { return settle("acknowledge", m, m.msg.Ack()) }

// Retry asks for the message again after a delay.
func (m *Message) Retry(after time.Duration) error {
	return settle("give back", m, m.msg.NakWithDelay(after))
}

// Term says that the message is never to be delivered again.
func (m *Message) Term(reason string) error {
	return settle("give up", m, m.msg.TermWithReason(reason))
}

// Extend asks for another ackWait before the message goes to another worker.
func (m *Message) Extend() error { return settle("extend", m, m.msg.InProgress()) }

func settle(what string, m *Message, err error) error {
	if err != nil {
		return unavailable(fmt.Sprintf("%s message %d", what, m.Sequence), err)
	}
	return nil
}
