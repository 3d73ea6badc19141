package stream

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	streamv1 "creepage/api/creepage/stream/v1"
)

// maxReason bounds the stored reason, which may quote what it complains of.
const maxReason = 4096

// SetAside puts a message that can never be processed into the quarantine with
// its reason, and has it never delivered again. Done twice for one message it
// is stored once.
func (s *Stream) SetAside(ctx context.Context, m *Message, reason string, at time.Time) error {
	if err := s.Hold(ctx, m, m.Payload, reason, at); err != nil {
		return err
	}
	return m.Term(reason)
}

// Hold puts a payload into the quarantine that is part of a message, or all of
// it, and leaves the message itself to its caller: the entries of a batch that
// cannot be processed are held while the others are committed. Done twice it
// is stored once.
func (s *Stream) Hold(ctx context.Context, m *Message, payload []byte, reason string, at time.Time) error {
	reason = strings.ToValidUTF8(reason, "?")
	if len(reason) > maxReason {
		reason = strings.ToValidUTF8(reason[:maxReason], "")
	}
	held, err := proto.Marshal(&streamv1.Quarantined{Payload: payload, Subject: m.Subject, Sequence: m.Sequence,
		Reason: reason, SetAsideTime: timestamppb.New(at)})
	if err != nil {
		return fmt.Errorf("encode message %d for the quarantine: %w", m.Sequence, err)
	}
	subject := quarantineSubject + strings.TrimPrefix(m.Subject, readingsSubject)
	id := fmt.Sprintf("set-aside-%d-%d-%x", m.Sequence, m.StoredAt.UnixNano(), sha256.Sum256(payload))
	if _, err := s.js.Publish(ctx, subject, held, jetstream.WithMsgID(id)); err != nil {
		if full(err) {
			return fmt.Errorf("%w: the quarantine: %w", ErrFull, err)
		}
		return unavailable(fmt.Sprintf("set message %d aside", m.Sequence), err)
	}
	return nil
}

// Held is a message in the quarantine.
type Held struct {
	ID uint64 // in the quarantine, for Replay
	*streamv1.Quarantined
}

// Quarantined returns up to limit messages of the quarantine with an ID above
// after, oldest first.
func (s *Stream) Quarantined(ctx context.Context, after uint64, limit int) ([]Held, error) {
	info, err := s.quarantine.Info(ctx)
	if err != nil {
		return nil, unavailable("ask for "+quarantineStream, err)
	}
	var held []Held
	for id := max(after+1, info.State.FirstSeq); id <= info.State.LastSeq && len(held) < limit; id++ {
		h, err := s.held(ctx, id)
		if errors.Is(err, ErrNotFound) {
			continue // replayed
		}
		if err != nil {
			return nil, err
		}
		held = append(held, h)
	}
	return held, nil
}

// Replay puts a message of the quarantine back into the stream and takes it
// out of the quarantine. The error is ErrNotFound, ErrFull or ErrUnavailable.
func (s *Stream) Replay(ctx context.Context, id uint64) error {
	h, err := s.held(ctx, id)
	if err != nil {
		return err
	}
	msgID := fmt.Sprintf("replay-%d-%d", id, h.GetSetAsideTime().AsTime().UnixNano())
	if _, err := s.js.Publish(ctx, h.GetSubject(), h.GetPayload(), jetstream.WithMsgID(msgID), jetstream.WithExpectStream(readingsStream)); err != nil {
		if full(err) {
			return fmt.Errorf("%w: %w", ErrFull, err)
		}
		return unavailable("replay", err)
	}
	if err := s.quarantine.DeleteMsg(ctx, id); err != nil {
		return unavailable("take the replayed message out of the quarantine", err)
	}
	return nil
}

func (s *Stream) held(ctx context.Context, id uint64) (Held, error) {
	raw, err := s.quarantine.GetMsg(ctx, id)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return Held{}, fmt.Errorf("%w: %d", ErrNotFound, id)
	}
	if err != nil {
		return Held{}, unavailable(fmt.Sprintf("read message %d of the quarantine", id), err)
	}
	q := new(streamv1.Quarantined)
	if err := proto.Unmarshal(raw.Data, q); err != nil {
		return Held{}, fmt.Errorf("message %d of the quarantine cannot be read: %w", id, err)
	}
	return Held{ID: id, Quarantined: q}, nil
}
