package report

import (
	"context"
	"encoding/hex"
	"errors"
	"io"
	"path"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/destination"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

const (
	// filesAtOnce bounds the files that are read at a time; each holds a piece.
	filesAtOnce = 32
	// runsKept is how long the worker keeps runs; a test holds it against the
	// contract's word.
	runsKept = 90 * 24 * time.Hour
	every    = "-" // the runs of all schedules
)

func runName(schedule, run uuid.UUID) string { return scheduleName(schedule) + "/runs/" + run.String() }

// runIDs reads a run's resource name.
func runIDs(name string) (schedule, run uuid.UUID, err error) {
	parent, id, ok := strings.Cut(name, "/runs/")
	text, wrong := wire.ReportSchedules.ID(parent)
	if !ok || wrong != nil {
		return schedule, run, problem.InvalidField("name", "%q is not a resource name of the form reportSchedules/{id}/runs/{id}", name)
	}
	if schedule, err = uuid.Parse(text); err == nil {
		run, err = uuid.Parse(id)
	}
	if err != nil {
		return schedule, run, problem.NotFound(name)
	}
	return schedule, run, nil
}

// withRun runs do on a run.
func (s *Schedules) withRun(ctx context.Context, name string, do func(caller.Caller, *store.Tx, *store.ReportRun) error) (*store.ReportRun, error) {
	schedule, id, err := runIDs(name)
	if err != nil {
		return nil, err
	}
	var run store.ReportRun
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if run, err = tx.ReportRun(ctx, schedule, id); err != nil {
			return notFound(err, name)
		}
		return do(c, tx, &run)
	})
	return &run, err
}

func nothing(caller.Caller, *store.Tx, *store.ReportRun) error { return nil }

// GetReportRun returns a run.
func (s *Schedules) GetReportRun(ctx context.Context, req *creepagev1.GetReportRunRequest) (*creepagev1.ReportRun, error) {
	run, err := s.withRun(ctx, req.GetName(), nothing)
	if err != nil {
		return nil, err
	}
	return runMessage(run), nil
}

// ListReportRuns lists runs, newest first.
func (s *Schedules) ListReportRuns(ctx context.Context, req *creepagev1.ListReportRunsRequest) (*creepagev1.ListReportRunsResponse, error) {
	text, err := wire.ReportSchedules.ID(req.GetParent())
	if err != nil {
		return nil, problem.InvalidField("parent", "%v", err)
	}
	schedule := uuid.Nil
	if text != every {
		if schedule, err = uuid.Parse(text); err != nil {
			return nil, problem.NotFound(req.GetParent())
		}
	}
	resp := &creepagev1.ListReportRunsResponse{}
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if schedule != uuid.Nil {
			if _, err := tx.ReportSchedule(ctx, schedule); err != nil {
				return notFound(err, req.GetParent())
			}
		}
		rows, token, err := page.Read(s.pages, c.Organisation, req, func(after store.TimeCursor, limit int) ([]store.ReportRun, error) {
			return tx.ReportRuns(ctx, schedule, store.ReportRunState(req.GetState()), after, limit)
		}, func(row *store.ReportRun) store.TimeCursor {
			return store.TimeCursor{At: row.CreatedAt, ID: row.ID.String()}
		})
		for i := range rows {
			resp.Runs = append(resp.Runs, runMessage(&rows[i]))
		}
		resp.NextPageToken = token
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// RetryReportRun has a run that has failed tried again.
func (s *Schedules) RetryReportRun(ctx context.Context, req *creepagev1.RetryReportRunRequest) (*creepagev1.ReportRun, error) {
	run, err := s.withRun(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, run *store.ReportRun) error {
		now := s.reports.now().Truncate(time.Microsecond)
		err := tx.RetryReportRun(ctx, run.ID, now)
		if errors.Is(err, store.ErrStands) {
			return problem.Precondition("RUN_NOT_FAILED", "the run is %s; only one that has FAILED can be tried again", creepagev1.ReportRun_State(run.State))
		}
		if err != nil {
			return err
		}
		run.State, run.Attempts, run.NextAttemptAt, run.FinishedAt = store.ReportRunPending, 0, now, time.Time{}
		return s.audit(ctx, tx, c, "RetryReportRun", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return runMessage(run), nil
}

// DownloadReportRun streams the file of a run, or a part of it.
func (s *Schedules) DownloadReportRun(req *creepagev1.DownloadReportRunRequest, stream grpc.ServerStreamingServer[httpbody.HttpBody]) error {
	ctx := stream.Context()
	var organisation string
	run, err := s.withRun(ctx, req.GetName(), func(_ caller.Caller, tx *store.Tx, _ *store.ReportRun) (err error) {
		organisation, err = tx.OrganisationName(ctx)
		return err
	})
	if err != nil {
		return err
	}
	if run.State != store.ReportRunMade {
		return problem.Precondition("RUN_NOT_MADE", "the run is %s; there is no file", creepagev1.ReportRun_State(run.State))
	}
	select {
	case s.places <- struct{}{}:
		defer func() { <-s.places }()
	default:
		return problem.Exhausted("DOWNLOADS_BUSY", 5*time.Second, "%d files are being read, which is all at a time; wait and ask again", filesAtOnce)
	}
	what := fileOf(run)
	if req.GetDescription() {
		if what.format != CSV {
			return problem.InvalidField("description", "a file of format %s describes itself", run.Format)
		}
		what = file{path: run.Path + descriptionEnding, format: CSVW}
	}
	f, err := s.open(ctx, organisation, run, &what)
	if err != nil {
		return err
	}
	defer f.Close()
	offset, length := req.GetOffset(), f.Size()-req.GetOffset()
	if length < 0 {
		return problem.InvalidField("offset", "%d lies behind the end of the file, which has %d bytes", offset, f.Size())
	}
	if req.Length != nil {
		length = min(length, req.GetLength())
	}
	if err := stream.SetHeader(what.header(run, f.Size())); err != nil {
		return err
	}
	if _, err := f.Seek(offset, io.SeekStart); err != nil {
		return err
	}
	out := &pieces{stream: stream, contentType: what.format.ContentType()}
	if length == 0 {
		_, err := out.Write(nil)
		return err
	}
	n, err := io.CopyBuffer(struct{ io.Writer }{out}, io.LimitReader(f, length), make([]byte, pieceBytes))
	if err == nil && n < length {
		err = io.ErrUnexpectedEOF
	}
	return err
}

// file is a file of a run.
type file struct {
	path   string
	format Format
	sum    []byte // nil: not on record
	size   int64  // -1: not on record
}

func fileOf(run *store.ReportRun) file {
	return file{path: run.Path, format: Format(run.Format), sum: run.SHA256, size: run.Bytes}
}

// open opens a file where it was put. One that is not what was put there is
// refused: its ETag would be that of another.
func (s *Schedules) open(ctx context.Context, organisation string, run *store.ReportRun, what *file) (destination.File, error) {
	place, err := s.destinations.For(organisation, run.Destination)
	if errors.Is(err, destination.ErrUnknown) {
		return nil, problem.Precondition("DESTINATION_GONE", "the operator has set no destination %q any more; the file cannot be read from here", run.Destination)
	}
	if err != nil {
		return nil, err
	}
	f, err := place.Open(ctx, what.path)
	if errors.Is(err, destination.ErrMissing) {
		return nil, problem.Precondition("FILE_GONE", "the file %s is not at its destination any more", what.path)
	}
	if err != nil {
		return nil, problem.Unavailable("DESTINATION_AWAY", 30*time.Second, "the destination %q cannot be read now", run.Destination).Because(err)
	}
	if what.sum != nil && f.Size() != what.size {
		return nil, errors.Join(problem.Precondition("FILE_CHANGED", "the file %s has %d bytes, it was made with %d: it is not the one that was put there", what.path, f.Size(), what.size), f.Close())
	}
	return f, nil
}

// header tells a REST client the file's name, size, time and ETag.
func (f *file) header(run *store.ReportRun, size int64) metadata.MD {
	md := metadata.Pairs("content-disposition", `attachment; filename="`+path.Base(f.path)+`"`, "creepage-as-of", run.AsOf.Format(time.RFC3339Nano),
		"creepage-size", strconv.FormatInt(size, 10), "last-modified", run.FinishedAt.UTC().Format(time.RFC3339))
	if f.sum != nil {
		md.Append("etag", `"`+hex.EncodeToString(f.sum)+`"`)
	}
	return md
}

func runMessage(r *store.ReportRun) *creepagev1.ReportRun {
	m := &creepagev1.ReportRun{Name: runName(r.Schedule, r.ID), State: creepagev1.ReportRun_State(r.State), DueTime: wire.Timestamp(r.DueAt), AsOfTime: wire.Timestamp(r.AsOf),
		Report: collection + r.Report, Format: r.Format, Destination: wire.ReportDestinations.Name(r.Destination), Path: r.Path, SizeBytes: r.Bytes, Sha256: hex.EncodeToString(r.SHA256), Rows: r.Rows,
		Attempts: int32(r.Attempts), LastError: wire.Text(r.LastError), CreateTime: wire.Timestamp(r.CreatedAt), FinishTime: wire.Timestamp(r.FinishedAt),
		ExpireTime: wire.Timestamp(r.CreatedAt.Add(runsKept)), Asked: r.Asked}
	if r.State == store.ReportRunPending && r.LastError != "" {
		m.NextAttemptTime = wire.Timestamp(r.NextAttemptAt)
	}
	return m
}
