package board

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/client"
	"creepage/internal/sheet"
	"creepage/internal/store"
)

const (
	// unheardAfter is when work of which nothing was heard counts as broken off.
	// A batch takes far less, a wait for a full service is told of.
	unheardAfter = 45 * time.Second
	// savedEvery is how often it is kept how far work has come.
	savedEvery = 500 * time.Millisecond
	// importBatch is how many readings go in one request.
	importBatch = 500
	// rowsShown is how many of the first readings the page shows.
	rowsShown = 12
)

// progress is how far the work on a file has come.
type progress struct {
	Checkpoint sheet.Checkpoint `json:"checkpoint"`
	Total      int64            `json:"total"` // of the offset at the file's end
}

// works are the files that are worked on behind the pages.
type works struct {
	ctx    context.Context
	cancel context.CancelFunc
	mu     sync.Mutex
	closed bool
	going  sync.WaitGroup
}

func newWorks() *works {
	w := &works{}
	w.ctx, w.cancel = context.WithCancel(context.Background())
	return w
}

// start works on a file until it is done or the board is closed; it says
// whether there was still time for it.
func (w *works) start(job *work) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return false
	}
	w.going.Go(func() { job.run(w.ctx) })
	return true
}

// close breaks the works off, each where it can go on, and waits for them.
func (w *works) close() {
	w.mu.Lock()
	w.closed = true
	w.mu.Unlock()
	w.cancel()
	w.going.Wait()
}

// work looks through or enters one file with the rights of the key that asked for it.
type work struct {
	board        *Board
	organisation uuid.UUID
	upload       uuid.UUID
	key          string
	stage        store.UploadStage

	file    *tableFile
	rejects string // file of the refused rows
	told    int64  // bytes of it that are kept
	upTo    int64  // bytes of it that belong to what has been worked through
	last    progress
	seen    table
	savedAt time.Time
	failed  error // to keep the progress
}

// endWithin bounds keeping how work ended, after the board was closed as well.
const endWithin = 5 * time.Second

func (w *work) run(ctx context.Context) {
	err := w.do(withKey(ctx, w.key))
	if w.file != nil {
		defer w.file.remove()
	}
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), endWithin)
	defer cancel()
	stage, wrong := w.stage+1, ""
	if err != nil {
		stage, wrong = w.stage, "It was broken off: "+err.Error()+"."
		if ctx.Err() != nil {
			wrong = "It was broken off because the service was stopped."
		}
	}
	var sample []byte
	if err == nil && w.stage == store.UploadChecking {
		if sample, err = json.Marshal(w.seen); err != nil {
			w.board.log.Error("upload not kept", "error", err)
			return
		}
	}
	err = w.board.sessions.store.AsOrganisation(end, w.organisation, func(tx *store.Tx) error {
		if err := w.advance(end, tx); err != nil {
			return err
		}
		return tx.EndUpload(end, w.upload, stage, sample, wrong, w.board.now())
	})
	if err != nil && !errors.Is(err, store.ErrNotFound) { // removed meanwhile
		w.board.log.Error("upload not kept", "error", err)
	}
}

func (w *work) do(ctx context.Context) error {
	var (
		u       store.Upload
		content []byte
		refused []byte
	)
	err := w.board.sessions.store.AsOrganisation(ctx, w.organisation, func(tx *store.Tx) (err error) {
		if u, err = tx.Upload(ctx, w.upload, w.board.now()); err != nil {
			return err
		}
		if content, err = tx.UploadContent(ctx, w.upload); err != nil {
			return err
		}
		refused, err = tx.UploadRejects(ctx, w.upload)
		return err
	})
	if err != nil {
		return err
	}
	f, err := writeOut(u.Title, content)
	if err != nil {
		return err
	}
	w.file = f
	err = errors.Join(unmarshal(u.Sample, &w.seen), unmarshal(u.Checkpoint, &w.last))
	if err != nil {
		return err
	}
	w.rejects = f.path + ".rejects.csv"
	if err := os.WriteFile(w.rejects, refused, 0o600); err != nil {
		return err
	}
	w.told, w.upTo = int64(len(refused)), int64(len(refused))
	if err := w.read(ctx, f, &u); err != nil {
		return errors.New(f.words(err))
	}
	return w.failed
}

// read takes the file to the service row by row.
func (w *work) read(ctx context.Context, f *tableFile, u *store.Upload) error {
	var mapping *sheet.Mapping
	if u.Mapping != nil {
		var err error
		if mapping, err = sheet.ReadMapping(strings.NewReader(string(u.Mapping)), "of the columns"); err != nil {
			return err
		}
	}
	table, err := sheet.Open(f.path, mapping)
	if err != nil {
		return err
	}
	defer table.Close()
	w.seen.Header, w.seen.Ignored, w.seen.Rows = table.Header(), table.Ignored(), nil
	w.last.Total = table.Total()
	im := sheet.Import{Batch: importBatch, Now: w.board.now(), Check: w.stage == store.UploadChecking, Checkpoint: w.last.Checkpoint, Submit: w.submit, Judged: w.judged,
		Progress: func(at sheet.Place, n sheet.Counts) { w.progress(ctx, at, n) }}
	if im.Rejects, err = sheet.NewRejects(w.rejects, table, w.last.Checkpoint.Rejects); err != nil {
		return err
	}
	_, err = im.Run(ctx, table)
	w.seen.Remarks = nil
	if mapping == nil { // what is taken for what of a mapping stands on the page
		w.seen.Remarks = table.Remarks()
	}
	return errors.Join(err, im.Rejects.Close())
}

// submit asks the API, again while it is away or full.
func (w *work) submit(ctx context.Context, req *creepagev1.SubmitReadingsRequest) (res *creepagev1.SubmitReadingsResponse, err error) {
	patience := client.DefaultPatience()
	patience.OnRetry = func(error, time.Duration) { w.savedAt = time.Time{}; w.save(ctx) } // it is heard of while it waits
	err = patience.Try(ctx, func() error {
		res, err = w.board.intake.SubmitReadings(ctx, req)
		return err
	})
	return res, err
}

func (w *work) judged(row sheet.Row, refused error) {
	if len(w.seen.Rows) >= rowsShown {
		return
	}
	r := &row.Reading
	s := sampleRow{Line: row.Line}
	if refused != nil {
		s.Refused = refused.Error()
	}
	if r.Vehicle != "" {
		s.Shop, s.Vehicle, s.Platform, s.Taken = r.Shop, r.Vehicle, r.Platform, r.MeasuredAt.UTC().Format("2 Jan 2006 15:04")
		s.Method, s.Where = r.Method.String(), fmt.Sprintf("%s, %s to %s", r.Component, casefile.GroupText(r.Conductor.String()), r.Reference)
		s.Value = strings.TrimPrefix(r.Relation.String()+" "+exactOhms(r.Ohms), "= ")
		s.Held, s.Celsius, s.Humidity = numberText(r.HoldSeconds, "s"), numberText(r.AirCelsius, "°C"), numberText(r.HumidityPct, "%")
	}
	w.seen.Rows = append(w.seen.Rows, s)
}

// exactOhms writes a value with as many digits as were written, so that a slip of
// the unit or comma is seen.
func exactOhms(ohms float64) string {
	for _, u := range []struct {
		from float64
		name string
	}{{1e9, "GΩ"}, {1e6, "MΩ"}, {1e3, "kΩ"}} {
		if ohms >= u.from {
			return strconv.FormatFloat(ohms/u.from, 'g', 9, 64) + " " + u.name
		}
	}
	return strconv.FormatFloat(ohms, 'g', 9, 64) + " Ω"
}

// numberText is a number with its unit; what was not taken is NaN.
func numberText(v float64, unit string) string {
	if v != v {
		return "–"
	}
	return strconv.FormatFloat(v, 'g', 6, 64) + " " + unit
}

func (w *work) progress(ctx context.Context, at sheet.Place, n sheet.Counts) {
	w.last.Checkpoint.Place, w.last.Checkpoint.Counts = at, n
	if info, err := os.Stat(w.rejects); err == nil { // there is none before the first refused row
		w.upTo = info.Size()
	}
	if time.Since(w.savedAt) >= savedEvery {
		w.save(ctx)
	}
}

func (w *work) save(ctx context.Context) {
	w.savedAt = time.Now()
	err := w.board.sessions.store.AsOrganisation(ctx, w.organisation, func(tx *store.Tx) error { return w.advance(ctx, tx) })
	if err != nil && ctx.Err() == nil && w.failed == nil {
		w.failed = err
	}
}

// advance keeps how far the work has come, with the rows refused since.
func (w *work) advance(ctx context.Context, tx *store.Tx) error {
	more, err := w.refusedSince()
	if err != nil {
		return err
	}
	w.last.Checkpoint.Rejects = w.upTo
	text, err := json.Marshal(w.last)
	if err != nil {
		return err
	}
	if err := tx.AdvanceUpload(ctx, w.upload, text, more, w.board.now()); err != nil {
		return err
	}
	w.told = w.upTo
	return nil
}

func (w *work) refusedSince() ([]byte, error) {
	more := make([]byte, w.upTo-w.told)
	if len(more) == 0 {
		return more, nil
	}
	f, err := os.Open(w.rejects)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	_, err = f.ReadAt(more, w.told)
	return more, err
}

// tableFile is an upload written out, for tables are read from files.
type tableFile struct{ path, title string }

func writeOut(title string, content []byte) (*tableFile, error) {
	dir, err := os.MkdirTemp("", "creepage-upload-")
	if err != nil {
		return nil, err
	}
	f := &tableFile{path: filepath.Join(dir, "table"+extension(title)), title: title}
	if err := os.WriteFile(f.path, content, 0o600); err != nil {
		f.remove()
		return nil, err
	}
	return f, nil
}

func (f *tableFile) remove() { _ = os.RemoveAll(filepath.Dir(f.path)) }

// words is an error about the file with the name that people know it by.
func (f *tableFile) words(err error) string { return strings.ReplaceAll(err.Error(), f.path, f.title) }
