package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"net/url"
	"os"
	"path"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
)

const (
	fruitlessTries = 3 // without a further byte, before a transfer is given up
	betweenTries   = time.Second
)

// download fetches a file that the service makes as it sends it. Where the
// transfer breaks off it is asked for again, as of the same time.
type download struct {
	*exporter

	path    string
	repeats bool         // the bytes are the same again: what has come is compared and passed over
	to      io.Writer    // where it goes
	anew    func() error // begins there anew; nil: what is written is written
	show    *transfer    // may be nil
	sum     hash.Hash    // of what has come
	n, most int64        // bytes that have come, and the most of any try
	asOf    string
}

// repeats says whether a file of a query is the same again, byte for byte.
func repeats(path string) bool {
	u, err := url.Parse(path)
	return err == nil && (u.Query().Get("format") == "csv" || u.Query().Get("format") == "jsonl")
}

func (d *download) run(ctx context.Context) error {
	for fruitless := 0; ; {
		err := d.try(ctx)
		if err == nil || ctx.Err() != nil || status.Code(err) != codes.Unavailable || !d.repeats && d.anew == nil {
			return err
		}
		if fruitless++; d.n > d.most {
			d.most, fruitless = d.n, 1
		}
		if fruitless >= fruitlessTries {
			return err
		}
		fmt.Fprintf(d.messages, "%s; asking for it again\n", status.Convert(err).Message())
		timer := time.NewTimer(betweenTries)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		}
	}
}

func (d *download) try(ctx context.Context) error {
	resp, err := d.client.Download(ctx, d.patience, d.path)
	if err != nil {
		return refused(err)
	}
	defer resp.Body.Close()
	if d.asOf == "" {
		if d.asOf = resp.Header.Get("Creepage-As-Of"); d.asOf != "" {
			d.path = withAsOf(d.path, d.asOf)
		}
	}
	if err := d.passOver(resp.Body); err != nil {
		return err
	}
	body := io.Reader(resp.Body)
	if d.show != nil {
		body = d.show.reading(body)
	}
	n, err := io.Copy(io.MultiWriter(d.to, d.sum), body)
	d.n += n
	return err
}

// passOver leaves out of a file what has come of it already, if it is the same,
// or begins anew.
func (d *download) passOver(body io.Reader) error {
	if d.n == 0 {
		return nil
	}
	if !d.repeats {
		d.n = 0
		d.sum.Reset()
		return d.anew()
	}
	again := sha256.New()
	if _, err := io.CopyN(again, body, d.n); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if !bytes.Equal(again.Sum(nil), d.sum.Sum(nil)) {
		return errors.New("readings that had been received before were committed in between, so the file is another one by now; start the same command again")
	}
	return nil
}

func withAsOf(path, asOf string) string {
	u, err := url.Parse(path)
	if err != nil {
		return path
	}
	q := u.Query()
	q.Set("asOfTime", asOf)
	u.RawQuery = q.Encode()
	return u.String()
}

// made fetches a file that was made ahead: of a run, or the newest of a schedule.
func (e *exporter) made(ctx context.Context, name string) error {
	if e.format != "" || e.filter != "" || e.columns != "" || e.asOf != "" || e.from != "" || e.till != "" {
		return &exitError{exitUsage, errors.New("a file made ahead is as its schedule has it: --as, --filter, --columns, --as-of, --from and --until cannot be given with it")}
	}
	run, err := e.runOf(ctx, name)
	if err != nil {
		return err
	}
	to := e.exportFlags.out
	if to == "" {
		to = path.Base(run.GetPath())
	}
	from := "/v1/" + run.GetName() + ":download"
	if to == "-" {
		resp, err := e.client.Download(ctx, e.patience, from)
		if err != nil {
			return refused(err)
		}
		defer resp.Body.Close()
		_, err = io.Copy(e.out, resp.Body)
		return err
	}
	if err := e.fetch(ctx, run, from, to); err != nil {
		return err
	}
	if run.GetFormat() == "csv" {
		if err := e.fetchDescription(ctx, from, to); err != nil {
			return err
		}
	}
	fmt.Fprintf(e.out, "%s: %d bytes, as of %s\n", to, run.GetSizeBytes(), run.GetAsOfTime().AsTime().Format(time.RFC3339))
	return nil
}

// runOf is the run of a name, or the newest of a schedule's that is made.
func (e *exporter) runOf(ctx context.Context, name string) (*creepagev1.ReportRun, error) {
	if strings.Contains(name, "/runs/") {
		run := &creepagev1.ReportRun{}
		if err := e.client.CallPatiently(ctx, e.patience, "GET", "/v1/"+name, nil, run); err != nil {
			return nil, refused(err)
		}
		if run.GetState() != creepagev1.ReportRun_MADE {
			return nil, fmt.Errorf("%s is %s; there is no file. %s", name, run.GetState(), run.GetLastError())
		}
		return run, nil
	}
	var list creepagev1.ListReportRunsResponse
	if err := e.client.CallPatiently(ctx, e.patience, "GET", "/v1/"+name+"/runs?state=MADE&pageSize=1", nil, &list); err != nil {
		return nil, refused(err)
	}
	if len(list.GetRuns()) == 0 {
		return nil, fmt.Errorf("%s has made no file yet", name)
	}
	return list.GetRuns()[0], nil
}

// fetch brings a file, in parts if need be. What has come is kept under a name
// that tells which file it is the beginning of.
func (e *exporter) fetch(ctx context.Context, run *creepagev1.ReportRun, from, to string) error {
	if len(run.GetSha256()) != hex.EncodedLen(sha256.Size) {
		return fmt.Errorf("the run's checksum %q is not what the contract says", run.GetSha256())
	}
	begun := to + "." + run.GetSha256()[:16] + ".part"
	part, err := os.OpenFile(begun, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return err
	}
	defer part.Close()
	show := newTransfer(e.messages, path.Base(run.GetPath()))
	err = e.fill(ctx, part, run, from, show)
	show.end(err == nil)
	if err != nil {
		if isLasting(err) {
			return err
		}
		at, _ := part.Seek(0, io.SeekEnd)
		return fmt.Errorf("%w; %d of %d bytes are in %s, the same command goes on from there", err, at, run.GetSizeBytes(), begun)
	}
	sum := sha256.New()
	if _, err := part.Seek(0, io.SeekStart); err != nil {
		return err
	}
	if _, err := io.Copy(sum, part); err != nil {
		return err
	}
	if got := hex.EncodeToString(sum.Sum(nil)); got != run.GetSha256() {
		return errors.Join(fmt.Errorf("what came has the checksum %s, the file has %s; it was thrown away, start the same command again", got, run.GetSha256()), os.Remove(begun))
	}
	if err := part.Close(); err != nil {
		return err
	}
	return os.Rename(begun, to)
}

// fill appends to a file what is missing of it.
func (e *exporter) fill(ctx context.Context, part *os.File, run *creepagev1.ReportRun, from string, show *transfer) error {
	for fruitless := 0; ; {
		at, err := part.Seek(0, io.SeekEnd)
		if err != nil || at == run.GetSizeBytes() {
			return err
		}
		if at > 0 {
			fmt.Fprintf(e.messages, "going on after %d of %d bytes\n", at, run.GetSizeBytes())
		}
		n, err := e.append(ctx, part, at, run, from, show)
		if err == nil || ctx.Err() != nil || status.Code(err) != codes.Unavailable {
			return err
		}
		if fruitless++; n > 0 {
			fruitless = 0
		}
		if fruitless >= fruitlessTries {
			return err
		}
	}
}

func (e *exporter) append(ctx context.Context, part *os.File, at int64, run *creepagev1.ReportRun, from string, show *transfer) (int64, error) {
	resp, err := e.client.DownloadFrom(ctx, e.patience, from, at, `"`+run.GetSha256()+`"`)
	if err != nil {
		return 0, refused(err)
	}
	defer resp.Body.Close()
	if at > 0 && resp.StatusCode != http.StatusPartialContent { // the service does not give parts, or of another file
		if _, err := part.Seek(0, io.SeekStart); err != nil {
			return 0, err
		}
		if err := part.Truncate(0); err != nil {
			return 0, err
		}
	}
	return io.Copy(part, show.reading(resp.Body))
}

func (e *exporter) fetchDescription(ctx context.Context, from, to string) error {
	resp, err := e.client.Download(ctx, e.patience, from+"?description=true")
	if err != nil {
		return refused(err)
	}
	defer resp.Body.Close()
	described, err := describing(resp.Body, to)
	if err != nil {
		return err
	}
	return os.WriteFile(to+"-metadata.json", described, 0o644)
}
