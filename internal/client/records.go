package client

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/wire"
)

// PutPlatforms states platforms.
func (c *Client) PutPlatforms(ctx context.Context, p Patience, platforms []insulation.Platform) error {
	for i := range platforms {
		m := wire.PlatformMessage(&platforms[i])
		if err := c.CallPatiently(ctx, p, "PUT", "/v1/"+m.GetName(), m, nil); err != nil {
			return fmt.Errorf("platform %s: %w", platforms[i].ID, err)
		}
	}
	return nil
}

// EnsureShops creates the shops that are not there yet.
func (c *Client) EnsureShops(ctx context.Context, p Patience, shops []*creepagev1.Shop) error {
	for _, s := range shops {
		id, err := wire.Shops.ID(s.GetName())
		if err != nil {
			return err
		}
		err = c.CallPatiently(ctx, p, "POST", "/v1/shops?shopId="+id, s, nil)
		if err != nil && status.Code(err) != codes.AlreadyExists {
			return fmt.Errorf("shop %s: %w", id, err)
		}
	}
	return nil
}

// codesPerRequest is what one request may hold.
const codesPerRequest = 1000

// SubmitCodes submits codes seen on vehicles.
func (c *Client) SubmitCodes(ctx context.Context, p Patience, sightings []insulation.Code, backfill bool) error {
	for len(sightings) > 0 {
		n := min(len(sightings), codesPerRequest)
		req := &creepagev1.SubmitReadingsRequest{Backfill: backfill}
		for i := range sightings[:n] {
			req.Codes = append(req.Codes, wire.CodeMessage(&sightings[i]))
		}
		var resp creepagev1.SubmitReadingsResponse
		if err := c.CallPatiently(ctx, p, "POST", "/v1/readings:submit", req, &resp); err != nil {
			return fmt.Errorf("codes: %w", err)
		}
		for i, r := range resp.GetCodeResults().GetResults() {
			if r.GetOutcome() == creepagev1.SubmitResult_REJECTED {
				return fmt.Errorf("code %s of vehicle %s: %s", sightings[i].Code, sightings[i].Vehicle, r.GetError().GetMessage())
			}
		}
		sightings = sightings[n:]
	}
	return nil
}

// registerWithin bounds the wait for a vehicle to register itself: its first
// reading is acknowledged a moment before the worker has made the vehicle.
const registerWithin = 30 * time.Second

// RecordRepairs records what was done to vehicles. The same events sent again
// record nothing twice.
func (c *Client) RecordRepairs(ctx context.Context, p Patience, events []insulation.Event) error {
	for _, e := range events {
		kind := creepagev1.Repair_Kind(e.Kind)
		req := &creepagev1.Repair{Component: creepagev1.Reading_Component(e.Component), Kind: kind, OccurTime: timestamppb.New(e.OccurredAt)}
		path := fmt.Sprintf("/v1/vehicles/%s/repairs?requestId=%s-%s-%d", e.Vehicle, e.Component, e.Kind, e.OccurredAt.Unix())
		if err := c.untilRegistered(ctx, p, path, req); err != nil {
			return fmt.Errorf("repair of %s of vehicle %s: %w", e.Component, e.Vehicle, err)
		}
	}
	return nil
}

func (c *Client) untilRegistered(ctx context.Context, p Patience, path string, req *creepagev1.Repair) error {
	ctx, cancel := context.WithTimeout(ctx, registerWithin)
	defer cancel()
	again := time.NewTicker(100 * time.Millisecond)
	defer again.Stop()
	for {
		err := c.CallPatiently(ctx, p, "POST", path, req, nil)
		if status.Code(err) != codes.NotFound {
			return err
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return err
		}
	}
}
