package sheet

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/wire"
)

// maxPhases is the most readings that one row may hold beside its first.
const maxPhases = 5

// MaxBatch is the most readings that the service takes in one request.
const MaxBatch = 1000

// Import takes a table of readings to the service.
type Import struct {
	// Submit takes a request to the service. Without it the import is a dry run.
	Submit func(context.Context, *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error)
	// Now is the time by which a dry run judges readings of the future.
	Now   time.Time
	Batch int  // readings a request, at most MaxBatch
	Live  bool // readings of today, about which warnings are news; otherwise old records
	// Check asks the service what would become of the readings and has it take none.
	Check bool

	CheckpointFile string              // where the import's place is kept; empty: nowhere
	Checkpoint     Checkpoint          // where to begin
	Rejects        *Rejects            // where refused rows go
	Progress       func(Place, Counts) // told after every batch; may be nil
	Judged         func(Row, error)    // told in a dry run or check of every reading, with why it would be refused; may be nil

	seen      map[[sha256.Size]byte]bool // of a check: what stood further up in the file
	platforms map[string]string          // of vehicles, by rows further up that were taken
}

// Run reads the table to its end. On an error everything before the last
// checkpoint is with the service, and a later run may go on from there. The
// counts are those of the whole file, runs before included.
func (im *Import) Run(ctx context.Context, table *Reader) (Counts, error) {
	at := im.Checkpoint
	if at.Place.Offset > 0 {
		if err := table.Continue(at.Place); err != nil {
			return at.Counts, err
		}
	}
	batches := make(chan batch, 1) // one is read while the one before is on its way
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(batches)
		return im.read(ctx, table, batches)
	})
	g.Go(func() error {
		for b := range batches {
			if err := im.take(ctx, b, &at); err != nil {
				return err
			}
		}
		return nil
	})
	if err := g.Wait(); err != nil {
		return at.Counts, err
	}
	if im.CheckpointFile != "" {
		if err := os.Remove(im.CheckpointFile); err != nil && !errors.Is(err, os.ErrNotExist) {
			return at.Counts, err
		}
	}
	return at.Counts, nil
}

// batch is some rows in the order of the file and the place after them.
type batch struct {
	rows []Row
	end  Place
}

func (im *Import) read(ctx context.Context, table *Reader, out chan<- batch) error {
	size := im.Batch
	if size < 1 || size > MaxBatch {
		return fmt.Errorf("batch %d: want 1 to %d readings a request", size, MaxBatch)
	}
	size = min(size, MaxBatch-maxPhases)
	for {
		b := batch{rows: make([]Row, 0, size)}
		end := false
		for (len(b.rows) < size || table.midRow()) && !end { // a row's readings stay together
			row, err := table.Next()
			switch {
			case errors.Is(err, io.EOF):
				end = true
			case err != nil:
				return err
			default:
				b.rows = append(b.rows, row)
			}
		}
		b.end = table.Place()
		if len(b.rows) > 0 {
			select {
			case out <- b:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if end {
			return nil
		}
	}
}

// take submits a batch, sets the refused rows aside and moves the checkpoint.
func (im *Import) take(ctx context.Context, b batch, at *Checkpoint) error {
	good := make([]Row, 0, len(b.rows))
	if im.Submit == nil {
		for i := range b.rows {
			im.judge(&b.rows[i])
		}
	}
	for _, row := range b.rows {
		if row.Err == nil {
			good = append(good, row)
			continue
		}
		if err := im.reject(row, row.Err, at); err != nil {
			return err
		}
	}
	if im.Submit == nil {
		at.Counts.Accepted += int64(len(good))
	} else {
		good, err := im.placed(good, at)
		if err != nil {
			return err
		}
		if err := im.submit(ctx, good, at); err != nil {
			return err
		}
	}
	at.Counts.Rows += int64(len(b.rows))
	at.Place = b.end
	var err error
	if at.Rejects, err = im.Rejects.Flush(); err != nil {
		return fmt.Errorf("rejects file: %w", err)
	}
	if im.CheckpointFile != "" {
		if err := at.save(im.CheckpointFile); err != nil {
			return fmt.Errorf("checkpoint: %w", err)
		}
	}
	if im.Progress != nil {
		im.Progress(at.Place, at.Counts)
	}
	return nil
}

func (im *Import) reject(row Row, reason error, at *Checkpoint) error {
	at.Counts.Rejected++
	im.tell(row, reason)
	if err := im.Rejects.Add(row, reason); err != nil {
		return fmt.Errorf("rejects file: %w", err)
	}
	return nil
}

// judge refuses what the service would refuse by looking at a reading alone.
// Whether it knows the vehicle's platform, the shop and the key it cannot say.
func (im *Import) judge(row *Row) {
	if row.Err == nil {
		row.Reading.Defaults()
		if v := insulation.Validate(&row.Reading, im.Now); len(v) > 0 {
			row.Err = v
		}
	}
	if im.Judged != nil {
		im.Judged(*row, row.Err)
	}
}

// placed gives rows without a platform the one that a row of an earlier request
// stated for their vehicle, and refuses rows that state another one. The service
// does the same as soon as it has registered the vehicle: in a check it never
// does, and otherwise only some time after it has answered.
func (im *Import) placed(rows []Row, at *Checkpoint) ([]Row, error) {
	good := rows[:0]
	for _, row := range rows {
		r := &row.Reading
		platform, ok := im.platforms[r.Vehicle]
		if ok && r.Platform != "" && r.Platform != platform {
			if err := im.reject(row, fmt.Errorf("platform: %q is not the platform of %q, which is %q by a row further up", r.Platform, r.Vehicle, platform), at); err != nil {
				return nil, err
			}
			continue
		}
		if ok {
			r.Platform = platform
		}
		good = append(good, row)
	}
	return good, nil
}

// remember keeps the platform that a row stated which was taken.
func (im *Import) remember(r *insulation.Reading) {
	if r.Platform == "" {
		return
	}
	if im.platforms == nil {
		im.platforms = map[string]string{}
	}
	im.platforms[r.Vehicle] = r.Platform
}

// tell says what the service answered for a reading in a check.
func (im *Import) tell(row Row, refused error) {
	if im.Check && im.Judged != nil {
		im.Judged(row, refused)
	}
}

// again says that the very reading stood further up in a file that is checked:
// the service, which takes nothing then, cannot know.
func (im *Import) again(m *creepagev1.Reading) (bool, error) {
	m = proto.CloneOf(m)
	m.Platform = nil // stated or not, it is the vehicle's
	text, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return false, err
	}
	if im.seen == nil {
		im.seen = map[[sha256.Size]byte]bool{}
	}
	key := sha256.Sum256(text)
	known := im.seen[key]
	im.seen[key] = true
	return known, nil
}

// submit sends rows in one request. Where the service refuses the request as a
// whole because of what is in it, the rows are sent by halves until the ones
// that it cannot take stand alone.
func (im *Import) submit(ctx context.Context, rows []Row, at *Checkpoint) error {
	if len(rows) == 0 {
		return nil
	}
	req := &creepagev1.SubmitReadingsRequest{Backfill: !im.Live, ValidateOnly: im.Check, Readings: make([]*creepagev1.Reading, len(rows))}
	for i := range rows {
		req.Readings[i] = wire.ReadingMessage(&rows[i].Reading)
	}
	resp, err := im.Submit(ctx, req)
	if status.Code(err) == codes.InvalidArgument {
		if len(rows) == 1 {
			return im.reject(rows[0], im.refusal(&rows[0], status.Convert(err).Proto()), at)
		}
		half := len(rows) / 2
		if err := im.submit(ctx, rows[:half], at); err != nil {
			return err
		}
		return im.submit(ctx, rows[half:], at)
	}
	if err != nil {
		return fmt.Errorf("lines %d to %d: %w", rows[0].Line, rows[len(rows)-1].Line, err)
	}
	if len(resp.GetResults()) != len(rows) {
		return fmt.Errorf("lines %d to %d: the service answered for %d readings of %d", rows[0].Line, rows[len(rows)-1].Line, len(resp.GetResults()), len(rows))
	}
	for i, result := range resp.GetResults() {
		switch result.GetOutcome() {
		case creepagev1.SubmitResult_ACCEPTED:
			known := false
			if im.Check {
				if known, err = im.again(req.GetReadings()[i]); err != nil {
					return err
				}
			}
			if known {
				at.Counts.Duplicates++
			} else {
				at.Counts.Accepted++
			}
			im.remember(&rows[i].Reading)
			im.tell(rows[i], nil)
		case creepagev1.SubmitResult_DUPLICATE:
			at.Counts.Duplicates++
			im.remember(&rows[i].Reading)
			im.tell(rows[i], nil)
		default:
			if err := im.reject(rows[i], im.refusal(&rows[i], result.GetError()), at); err != nil {
				return err
			}
		}
	}
	return nil
}

// inRequest is a reading's place in its request, which says nothing about the file.
var inRequest = regexp.MustCompile(`^readings\[[0-9]+\]\.`)

// refusal puts the service's reason in one line: the fields where it names them,
// and what it says of words, which it writes as the API does, as tables write them.
func (im *Import) refusal(row *Row, st *spb.Status) error {
	s := status.FromProto(st)
	known := problem.FromDomain(insulation.Validate(&row.Reading, im.Now))
	for _, d := range s.Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok || len(bad.GetFieldViolations()) == 0 {
			continue
		}
		reason := ""
		for _, v := range bad.GetFieldViolations() {
			if reason != "" {
				reason += "; "
			}
			field, text := inRequest.ReplaceAllString(v.GetField(), ""), v.GetDescription()
			for _, k := range known {
				if k.Path == field && k.Description == text {
					text = cmp.Or(k.InFiles, text)
				}
			}
			reason += field + ": " + text
		}
		return errors.New(reason)
	}
	if s.Message() == "" {
		return errors.New("refused without a reason")
	}
	return errors.New(inRequest.ReplaceAllString(s.Message(), ""))
}
