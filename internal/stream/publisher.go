package stream

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	streamv1 "creepage/api/creepage/stream/v1"
)

// Publisher puts entries into the stream. While one message of a partition is
// being synced to disk, what further callers send for that partition is
// gathered into the next one (group commit): a sync costs the same for one
// reading as for a thousand.
type Publisher struct {
	js         jetstream.JetStream
	partitions []*partition
	metrics    *publisherMetrics
	stop       chan struct{}
	loops      sync.WaitGroup
	closeOnce  sync.Once
}

// chunk is one caller's entries for one partition: the bytes of a Batch.
// Batches put one after the other are again a Batch.
type chunk struct {
	bytes   []byte
	entries int
	done    chan<- error
}

// partition is the queue of chunks that wait while a message is being synced.
type partition struct {
	subject string
	wake    chan struct{} // one token: there are chunks

	mu      sync.Mutex
	waiting []chunk
	bytes   int
	room    chan struct{} // closed when the queue has been taken; nil if nobody waits for room
	closed  bool
}

// NewPublisher starts a publisher. Close it to end its goroutines.
func (s *Stream) NewPublisher(reg prometheus.Registerer) (*Publisher, error) {
	metrics, err := newPublisherMetrics(reg)
	if err != nil {
		return nil, err
	}
	p := &Publisher{js: s.js, metrics: metrics, stop: make(chan struct{})}
	for i := range s.settings.Partitions {
		q := &partition{subject: subjectOf(i), wake: make(chan struct{}, 1)}
		p.partitions = append(p.partitions, q)
		p.loops.Go(func() { p.run(q) })
	}
	return p, nil
}

// Submit returns nil when JetStream has every entry on disk. Entries of one
// vehicle keep their order. The error is ErrFull (nothing of the refused
// message was stored, though other partitions' entries may have been),
// ErrUnavailable, ErrTooLarge, ErrClosed or the context's own; after any of
// them sending the same entries again is right and does no harm.
func (p *Publisher) Submit(ctx context.Context, entries []*streamv1.Entry) error {
	chunks, err := p.chunks(entries)
	if err != nil {
		return err
	}
	done := make(chan error, len(chunks))
	pending := 0
	var failed error
	for _, c := range chunks {
		c.chunk.done = done
		if err := p.partitions[c.partition].put(ctx, c.chunk); err != nil {
			failed = err
			break
		}
		pending++
	}
	for range pending {
		select {
		case err := <-done:
			if err != nil {
				failed = err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return failed
}

type placedChunk struct {
	partition int
	chunk     chunk
}

// chunks encodes the entries, divided by partition and cut where a message
// would grow too large.
func (p *Publisher) chunks(entries []*streamv1.Entry) ([]placedChunk, error) {
	open := make([]chunk, len(p.partitions))
	sizes, places := make([]int, len(entries)), make([]int, len(entries))
	room := make([]int, len(p.partitions)) // what a partition's chunk will take
	for i, e := range entries {
		sizes[i] = proto.Size(e)
		places[i] = partitionOf(e.GetOrganisationId(), vehicleOf(e), len(p.partitions))
		framed := framedBytes(sizes[i])
		if framed > maxMessageBytes {
			return nil, fmt.Errorf("%w: entry %d has %d bytes, allowed are %d", ErrTooLarge, i, framed, maxMessageBytes)
		}
		room[places[i]] += framed
	}
	var full []placedChunk
	for i, e := range entries {
		k := places[i]
		c := &open[k]
		if len(c.bytes)+framedBytes(sizes[i]) > maxMessageBytes {
			full = append(full, placedChunk{k, *c})
			*c = chunk{}
		}
		if c.bytes == nil {
			c.bytes = make([]byte, 0, min(room[k], maxMessageBytes))
		}
		c.bytes = protowire.AppendTag(c.bytes, batchEntries, protowire.BytesType)
		c.bytes = protowire.AppendVarint(c.bytes, uint64(sizes[i]))
		var err error
		if c.bytes, err = (proto.MarshalOptions{UseCachedSize: true}).MarshalAppend(c.bytes, e); err != nil {
			return nil, fmt.Errorf("encode entry %d: %w", i, err)
		}
		c.entries++
	}
	for k := range open {
		if open[k].entries > 0 {
			full = append(full, placedChunk{k, open[k]})
		}
	}
	return full, nil
}

// framedBytes is what an entry of a size takes in a message.
func framedBytes(size int) int { return protowire.SizeTag(batchEntries) + protowire.SizeBytes(size) }

// batchEntries is the number of the field entries in message Batch.
const batchEntries protowire.Number = 1

func vehicleOf(e *streamv1.Entry) string {
	if r := e.GetReading(); r != nil {
		return r.GetVehicle()
	}
	return e.GetCode().GetVehicle()
}

// put queues a chunk, waiting while the queue is full.
func (q *partition) put(ctx context.Context, c chunk) error {
	for {
		q.mu.Lock()
		if q.closed {
			q.mu.Unlock()
			return ErrClosed
		}
		if q.bytes == 0 || q.bytes+len(c.bytes) <= maxQueuedBytes {
			q.waiting = append(q.waiting, c)
			q.bytes += len(c.bytes)
			q.mu.Unlock()
			select {
			case q.wake <- struct{}{}:
			default:
			}
			return nil
		}
		if q.room == nil {
			q.room = make(chan struct{})
		}
		room := q.room
		q.mu.Unlock()
		select {
		case <-room:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// take returns the chunks that go into the next message, in order of arrival.
func (q *partition) take(into []chunk) []chunk {
	q.mu.Lock()
	defer q.mu.Unlock()
	n, size := 0, 0
	for n < len(q.waiting) && (n == 0 || size+len(q.waiting[n].bytes) <= maxMessageBytes) {
		size += len(q.waiting[n].bytes)
		n++
	}
	into = append(into[:0], q.waiting[:n]...)
	rest := copy(q.waiting, q.waiting[n:])
	clear(q.waiting[rest:])
	q.waiting = q.waiting[:rest]
	q.bytes -= size
	if q.room != nil {
		close(q.room)
		q.room = nil
	}
	return into
}

// run publishes one message after the other until the publisher is closed and
// the queue is empty.
func (p *Publisher) run(q *partition) {
	var group []chunk
	var message []byte
	for {
		group = q.take(group)
		if len(group) == 0 {
			select {
			case <-q.wake:
				continue
			case <-p.stop:
			}
			if group = q.take(group); len(group) == 0 {
				return
			}
		}
		message = message[:0]
		entries := 0
		for _, c := range group {
			message = append(message, c.bytes...)
			entries += c.entries
		}
		started := time.Now()
		err := p.publish(q.subject, message)
		p.metrics.observe(entries, len(group), time.Since(started), err)
		for _, c := range group {
			c.done <- err // buffered for all of a caller's chunks
		}
		clear(group)
	}
}

// publish stores one message, trying again under the same id while there is hope.
func (p *Publisher) publish(subject string, message []byte) error {
	ctx, cancel := context.WithTimeout(context.Background(), publishDeadline)
	defer cancel()
	id := nuid.Next()
	wait := firstRetry
	for {
		attempt, stop := context.WithTimeout(ctx, publishTimeout)
		_, err := p.js.Publish(attempt, subject, message, jetstream.WithMsgID(id), jetstream.WithExpectStream(readingsStream))
		stop()
		switch {
		case err == nil:
			return nil
		case full(err):
			return fmt.Errorf("%w: %w", ErrFull, err)
		case !retryable(err):
			return unavailable("publish", err)
		}
		p.metrics.retries.Inc()
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return unavailable("publish", err)
		case <-p.stop: // closing: one attempt is all that is left
			return unavailable("publish", err)
		}
		wait = min(2*wait, lastRetry)
	}
}

// Close makes one attempt to publish what is queued and ends the publisher.
// Submit returns ErrClosed from then on. It may be called twice.
func (p *Publisher) Close() {
	p.closeOnce.Do(func() {
		for _, q := range p.partitions {
			q.mu.Lock()
			q.closed = true
			if q.room != nil {
				close(q.room)
				q.room = nil
			}
			q.mu.Unlock()
		}
		close(p.stop)
	})
	p.loops.Wait()
}
