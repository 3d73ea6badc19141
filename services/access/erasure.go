package access

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"fmt"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// erasedText stands where a person's name stood.
const erasedText = "[erased]"

// newPseudonym is a vehicle id that tells nothing: 60 random bits in base 32.
func newPseudonym() string {
	var random [8]byte
	rand.Read(random[:]) // never fails: it ends the program instead
	return "erased-" + strings.ToLower(base32.HexEncoding.WithPadding(base32.NoPadding).EncodeToString(random[:]))[:12]
}

// EraseVehicle takes a vehicle's names away and keeps its numbers. The audit
// trail says who did it and when, under the pseudonym.
func (s *Service) EraseVehicle(ctx context.Context, req *creepagev1.EraseVehicleRequest) (*creepagev1.EraseVehicleResponse, error) {
	id, err := wire.Vehicles.ID(req.GetName())
	if err != nil {
		return nil, problem.InvalidField("name", "%v", err)
	}
	resp := &creepagev1.EraseVehicleResponse{}
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		v, err := tx.Vehicle(ctx, id)
		if errors.Is(err, store.ErrNotFound) {
			return problem.NotFound(req.GetName())
		}
		if err != nil {
			return err
		}
		pseudonym := newPseudonym()
		if resp.ChangedCount, err = tx.EraseVehicle(ctx, v.Key, pseudonym, s.now()); err != nil {
			return err
		}
		resp.Vehicle = wire.Vehicles.Name(pseudonym)
		return s.audit(ctx, tx, c, "EraseVehicle", resp.Vehicle, rows(resp.ChangedCount))
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// ErasePerson takes a text out of everything that people wrote. The audit trail
// says who did it and when, and how many rows held it, but not the text.
func (s *Service) ErasePerson(ctx context.Context, req *creepagev1.ErasePersonRequest) (*creepagev1.ErasePersonResponse, error) {
	text := strings.TrimSpace(req.GetText())
	if len([]rune(text)) < 3 {
		return nil, problem.InvalidField("text", "allowed are 3 to 200 characters, not counting blanks around them: less would hit what was not meant")
	}
	resp := &creepagev1.ErasePersonResponse{}
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) (err error) {
		if resp.ChangedCount, err = tx.EraseWords(ctx, text, erasedText); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "ErasePerson", "", rows(resp.ChangedCount))
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func rows(n int64) string {
	if n == 1 {
		return "1 row changed"
	}
	return fmt.Sprintf("%d rows changed", n)
}
