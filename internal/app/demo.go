package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/client"
	"creepage/internal/insulation"
	"creepage/internal/wire"
	"creepage/testdata/demo"
)

// demoFile keeps the day up to which a data folder's demo fleet was moved, so
// that loading it again loads the same readings.
const demoFile = "demo.end"

// demoBatch is how many readings go in one request.
const demoBatch = 500

// LoadDemo loads the demo fleet through the API as old records that end now.
// Loading it again changes nothing. progress is told how many of how many
// readings are in; may be nil.
func LoadDemo(ctx context.Context, c *client.Client, data string, now time.Time, progress func(done, of int)) error {
	end, err := demoEnd(filepath.Join(data, demoFile), now)
	if err != nil {
		return err
	}
	fleet, err := demo.Load(end)
	if err != nil {
		return fmt.Errorf("the demo fleet: %w", err)
	}
	patience := client.DefaultPatience()
	if err := c.PutPlatforms(ctx, patience, fleet.Platforms); err != nil {
		return err
	}
	shops := make([]*creepagev1.Shop, len(fleet.Shops))
	for i, id := range fleet.Shops {
		shops[i] = &creepagev1.Shop{Name: wire.Shops.Name(id), Title: strings.ReplaceAll(id, "-", " ")}
	}
	if err := c.EnsureShops(ctx, patience, shops); err != nil {
		return err
	}
	if err := submitAll(ctx, c, patience, fleet.Readings, progress); err != nil {
		return err
	}
	if err := c.SubmitCodes(ctx, patience, fleet.Codes, true); err != nil {
		return err
	}
	return c.RecordRepairs(ctx, patience, fleet.Events)
}

func submitAll(ctx context.Context, c *client.Client, p client.Patience, readings []insulation.Reading, progress func(done, of int)) error {
	for done := 0; done < len(readings); {
		n := min(demoBatch, len(readings)-done)
		req := &creepagev1.SubmitReadingsRequest{Backfill: true}
		for i := range readings[done : done+n] {
			req.Readings = append(req.Readings, wire.ReadingMessage(&readings[done+i]))
		}
		var resp creepagev1.SubmitReadingsResponse
		if err := c.CallPatiently(ctx, p, "POST", "/v1/readings:submit", req, &resp); err != nil {
			return err
		}
		for i, r := range resp.GetResults() {
			if r.GetOutcome() == creepagev1.SubmitResult_REJECTED {
				return fmt.Errorf("reading %s: %s", readings[done+i].ID, r.GetError().GetMessage())
			}
		}
		done += n
		if progress != nil {
			progress(done, len(readings))
		}
	}
	return nil
}

// demoEnd returns the end kept in a file, or keeps now there.
func demoEnd(path string, now time.Time) (time.Time, error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return now, writeOnce(path, now.UTC().Format(time.RFC3339)+"\n")
	}
	if err != nil {
		return time.Time{}, err
	}
	end, err := time.Parse(time.RFC3339, strings.TrimSpace(string(b)))
	if err != nil {
		return time.Time{}, fmt.Errorf("%s: %w", path, err)
	}
	return end, nil
}
