package stream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Errors of this package. Errors of the NATS client are wrapped into one of them.
var (
	// ErrFull says that the stream has no room: nothing was stored; try later.
	ErrFull = errors.New("the stream is full")
	// ErrUnavailable says that JetStream did not answer in time: what was sent
	// may or may not be stored; sending it again does no harm.
	ErrUnavailable = errors.New("the stream is unavailable")
	// ErrTooLarge says that one entry alone exceeds what a message may hold.
	ErrTooLarge = errors.New("the entry is too large")
	// ErrClosed says that the publisher or consumer has been closed.
	ErrClosed = errors.New("the stream is closed")
	// ErrNotFound says that the quarantine holds no such message.
	ErrNotFound = errors.New("no such message in the quarantine")
)

// Stream is creepage's streams on one JetStream.
type Stream struct {
	js         jetstream.JetStream
	settings   Settings
	readings   jetstream.Stream
	quarantine jetstream.Stream
	consumer   jetstream.Consumer
}

// Open makes sure the streams and the workers' consumer exist with the right
// settings. It tries again for half a minute: a cluster may still be electing.
func Open(ctx context.Context, conn *nats.Conn, settings Settings) (*Stream, error) {
	js, err := jetstream.New(conn)
	if err != nil {
		return nil, fmt.Errorf("open JetStream: %w", err)
	}
	s := &Stream{js: js, settings: settings.withDefaults()}
	ctx, cancel := context.WithTimeout(ctx, setUpDeadline)
	defer cancel()
	for {
		err := s.setUp(ctx)
		if err == nil {
			return s, nil
		}
		if !retryable(err) || pause(ctx, lastRetry) != nil {
			return nil, fmt.Errorf("set up the streams: %w: %w", ErrUnavailable, err)
		}
	}
}

func (s *Stream) setUp(ctx context.Context) (err error) {
	ctx, cancel := context.WithTimeout(ctx, setUpAttempt)
	defer cancel()
	if s.readings, err = s.js.CreateOrUpdateStream(ctx, readingsConfig(s.settings)); err != nil {
		return fmt.Errorf("stream %s: %w", readingsStream, err)
	}
	if s.quarantine, err = s.js.CreateOrUpdateStream(ctx, quarantineConfig(s.settings)); err != nil {
		return fmt.Errorf("stream %s: %w", quarantineStream, err)
	}
	if s.consumer, err = s.readings.CreateOrUpdateConsumer(ctx, consumerConfig()); err != nil {
		return fmt.Errorf("consumer %s: %w", workerConsumer, err)
	}
	return nil
}

// Info is how the streams stand.
type Info struct {
	Messages    uint64    // stored, whether processed or not
	Bytes       uint64    // they occupy
	MaxBytes    int64     // they may occupy
	Waiting     uint64    // messages no worker has taken yet
	InWork      int       // messages taken and not yet acknowledged
	Redelivered int       // of those, messages that had been taken before
	OldestTime  time.Time // when the oldest message not acknowledged was stored; zero if there is none
	Quarantined uint64    // messages in the quarantine
}

// Lag is the number of messages not yet committed.
func (i *Info) Lag() uint64 { return i.Waiting + uint64(i.InWork) }

// Info asks JetStream how the streams stand. It is also a health check: the
// error is ErrUnavailable.
func (s *Stream) Info(ctx context.Context) (Info, error) {
	stream, err := s.readings.Info(ctx)
	if err != nil {
		return Info{}, unavailable("ask for "+readingsStream, err)
	}
	quarantine, err := s.quarantine.Info(ctx)
	if err != nil {
		return Info{}, unavailable("ask for "+quarantineStream, err)
	}
	consumer, err := s.consumer.Info(ctx)
	if err != nil {
		return Info{}, unavailable("ask for consumer "+workerConsumer, err)
	}
	info := Info{
		Messages: stream.State.Msgs, Bytes: stream.State.Bytes, MaxBytes: stream.Config.MaxBytes,
		Waiting: waiting(&stream.State, consumer), InWork: consumer.NumAckPending, Redelivered: consumer.NumRedelivered,
		Quarantined: quarantine.State.Msgs,
	}
	if info.Lag() > 0 {
		oldest, err := s.readings.GetMsg(ctx, max(consumer.AckFloor.Stream+1, stream.State.FirstSeq))
		switch {
		case err == nil:
			info.OldestTime = oldest.Time
		case !errors.Is(err, jetstream.ErrMsgNotFound): // gone meanwhile: acknowledged and trimmed
			return Info{}, unavailable("read the oldest message", err)
		}
	}
	return info, nil
}

// waiting is how many messages no worker has taken yet. It is counted from the
// stream's last message, which a publisher's acknowledgement includes, because
// the server moves the consumer's own count a moment later: by that count a
// message just acknowledged may seem to have been taken already.
func waiting(stream *jetstream.StreamState, consumer *jetstream.ConsumerInfo) uint64 {
	if stream.LastSeq <= consumer.Delivered.Stream {
		return 0
	}
	return min(stream.LastSeq-consumer.Delivered.Stream, stream.Msgs)
}

// Trim frees the room of messages that have been committed, once the stream is
// fuller than a quarter of what it may hold. It never touches a message that
// has not been acknowledged.
func (s *Stream) Trim(ctx context.Context) error {
	stream, err := s.readings.Info(ctx)
	if err != nil {
		return unavailable("ask for "+readingsStream, err)
	}
	if stream.State.Bytes < uint64(stream.Config.MaxBytes/4) {
		return nil
	}
	consumer, err := s.consumer.Info(ctx)
	if err != nil {
		return unavailable("ask for consumer "+workerConsumer, err)
	}
	if consumer.AckFloor.Stream < stream.State.FirstSeq {
		return nil
	}
	if err := s.readings.Purge(ctx, jetstream.WithPurgeSequence(consumer.AckFloor.Stream+1)); err != nil {
		return unavailable("free what has been committed", err)
	}
	return nil
}

func unavailable(what string, err error) error {
	return fmt.Errorf("%w: %s: %w", ErrUnavailable, what, err)
}

// JetStream's error codes that this package tells apart (nats-server's
// server/errors.json).
const (
	codeStoreFailed      jetstream.ErrorCode = 10077 // also for "maximum bytes exceeded"
	codeNoMemory         jetstream.ErrorCode = 10028
	codeNoStorage        jetstream.ErrorCode = 10047
	codeNoResources      jetstream.ErrorCode = 10023
	codeTooManyRequests  jetstream.ErrorCode = 10167
	descriptionFullBytes                     = "maximum bytes exceeded"
)

// full says whether JetStream refused a message for want of room.
func full(err error) bool {
	var api *jetstream.APIError
	if !errors.As(err, &api) {
		return false
	}
	switch api.ErrorCode {
	case codeNoStorage, codeNoMemory, codeNoResources:
		return true
	case codeStoreFailed:
		return api.Description == descriptionFullBytes
	}
	return false
}

// retryable says whether the same request may succeed a moment later: no
// answer, no leader, too busy. Any other answer of JetStream's is final.
func retryable(err error) bool {
	var api *jetstream.APIError
	if !errors.As(err, &api) {
		return true
	}
	return api.Code == 503 || api.Code == 429 || api.ErrorCode == codeTooManyRequests
}

// pause waits, or returns the context's error if that ends first.
func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
