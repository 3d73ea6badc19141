package notify

import (
	"context"
	"net/mail"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/emptypb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/digest"
	"creepage/internal/mask"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/timetable"
	"creepage/internal/wire"
)

const (
	mostDigests = 200 // an organisation
	defaultHour = 6
)

// digestFields are what callers may state of a digest.
var digestFields = []string{"title", "email", "frequency", "hour", "time_zone", "filter"}

// CreateDigest creates a digest.
func (s *Service) CreateDigest(ctx context.Context, req *creepagev1.CreateDigestRequest) (*creepagev1.Digest, error) {
	d := store.Digest{ID: uuid.Must(uuid.NewV7()), CreatedAt: s.Now().Truncate(time.Microsecond)}
	if err := s.changeDigest(&d, req.GetDigest(), digestFields); err != nil {
		return nil, err
	}
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		n, err := tx.CountDigests(ctx)
		if err != nil {
			return err
		}
		if n >= mostDigests {
			return problem.Precondition("TOO_MANY_DIGESTS", "the organisation has %d digests, the most there may be; delete one", n)
		}
		if err := tx.CreateDigest(ctx, &d); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "CreateDigest", digestName(&d), "") // without the address, which goes with the digest
	})
	if err != nil {
		return nil, err
	}
	return digestMessage(&d), nil
}

// changeDigest puts fields of a message into a digest and says when it is due next.
func (s *Service) changeDigest(d *store.Digest, m *creepagev1.Digest, fields []string) error {
	if m == nil {
		return problem.InvalidField("digest", "is missing")
	}
	var wrong []problem.Field
	fail := func(field, text string) {
		wrong = append(wrong, problem.Field{Path: "digest." + field, Description: text})
	}
	if slices.Contains(fields, "title") {
		d.Title = m.GetTitle()
	}
	if slices.Contains(fields, "email") {
		d.Email = m.GetEmail()
		if a, err := mail.ParseAddress(d.Email); err != nil || a.Address != d.Email { // the address alone, without a name
			fail("email", "is not an e-mail address such as ann@shop.example")
		}
	}
	if slices.Contains(fields, "frequency") {
		d.Frequency = int16(m.GetFrequency())
		if f := m.GetFrequency(); f != creepagev1.Digest_DAILY && f != creepagev1.Digest_WEEKLY {
			fail("frequency", "allowed are DAILY, WEEKLY")
		}
	}
	if slices.Contains(fields, "hour") {
		d.Hour = defaultHour
		if m.Hour != nil {
			d.Hour = int(m.GetHour())
		}
	}
	if slices.Contains(fields, "time_zone") {
		d.TimeZone = m.GetTimeZone()
	}
	zone, err := timetable.Zone(d.TimeZone)
	if err != nil {
		fail("time_zone", err.Error())
	}
	if slices.Contains(fields, "filter") {
		d.Filter = m.GetFilter()
		if _, err := store.WarningFields().Parse(d.Filter); err != nil {
			fail("filter", problem.Of(err).Fields[0].Description)
		}
	}
	if len(wrong) > 0 {
		return problem.Invalid(wrong...)
	}
	d.NextAt = digest.Next(digest.Frequency(d.Frequency), d.Hour, zone, s.Now())
	return nil
}

// GetDigest returns a digest.
func (s *Service) GetDigest(ctx context.Context, req *creepagev1.GetDigestRequest) (*creepagev1.Digest, error) {
	return s.withDigest(ctx, req.GetName(), func(caller.Caller, *store.Tx, *store.Digest) error { return nil })
}

// withDigest runs do on a digest and returns it as do has left it.
func (s *Service) withDigest(ctx context.Context, name string, do func(caller.Caller, *store.Tx, *store.Digest) error) (*creepagev1.Digest, error) {
	text, err := wire.Digests.ID(name)
	if err != nil {
		return nil, problem.InvalidField("name", "%v", err)
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return nil, problem.NotFound(name)
	}
	var d store.Digest
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if d, err = tx.Digest(ctx, id); err != nil {
			return notFound(err, name)
		}
		return do(c, tx, &d)
	})
	if err != nil {
		return nil, err
	}
	return digestMessage(&d), nil
}

// ListDigests lists digests, newest first.
func (s *Service) ListDigests(ctx context.Context, req *creepagev1.ListDigestsRequest) (*creepagev1.ListDigestsResponse, error) {
	rows, token, err := list(ctx, s, req, func(tx *store.Tx, after store.TimeCursor, limit int) ([]store.Digest, error) {
		return tx.Digests(ctx, after, limit)
	}, func(d *store.Digest) store.TimeCursor {
		return store.TimeCursor{At: d.CreatedAt, ID: d.ID.String()}
	})
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListDigestsResponse{NextPageToken: token}
	for i := range rows {
		resp.Digests = append(resp.Digests, digestMessage(&rows[i]))
	}
	return resp, nil
}

// UpdateDigest changes the fields that the mask names.
func (s *Service) UpdateDigest(ctx context.Context, req *creepagev1.UpdateDigestRequest) (*creepagev1.Digest, error) {
	fields, err := mask.Of(req.GetDigest(), req.GetUpdateMask(), digestFields)
	if err != nil {
		return nil, err
	}
	return s.withDigest(ctx, req.GetDigest().GetName(), func(c caller.Caller, tx *store.Tx, d *store.Digest) error {
		if err := s.changeDigest(d, req.GetDigest(), fields); err != nil {
			return err
		}
		d.LastError = ""
		if err := tx.UpdateDigest(ctx, d); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "UpdateDigest", digestName(d), strings.Join(fields, ", "))
	})
}

// DeleteDigest deletes a digest with its address.
func (s *Service) DeleteDigest(ctx context.Context, req *creepagev1.DeleteDigestRequest) (*emptypb.Empty, error) {
	_, err := s.withDigest(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, d *store.Digest) error {
		if err := tx.DeleteDigest(ctx, d.ID); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "DeleteDigest", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return &emptypb.Empty{}, nil
}

// SendDigest has a digest sent now.
func (s *Service) SendDigest(ctx context.Context, req *creepagev1.SendDigestRequest) (*creepagev1.Digest, error) {
	return s.withDigest(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, d *store.Digest) error {
		if err := tx.AskForDigest(ctx, d.ID, s.Now()); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "SendDigest", req.GetName(), "")
	})
}

func digestName(d *store.Digest) string { return wire.Digests.Name(d.ID.String()) }

func digestMessage(d *store.Digest) *creepagev1.Digest {
	hour := int32(d.Hour)
	return &creepagev1.Digest{Name: digestName(d), Title: d.Title, Email: d.Email, Frequency: creepagev1.Digest_Frequency(d.Frequency), Hour: &hour, TimeZone: d.TimeZone,
		Filter: d.Filter, CreateTime: wire.Timestamp(d.CreatedAt), LastSendTime: wire.Timestamp(d.SentAt), NextSendTime: wire.Timestamp(d.NextAt), LastError: wire.Text(d.LastError)}
}
