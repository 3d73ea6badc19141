package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/client"
)

// exportFlags are what the export command is told.
type exportFlags struct {
	server, keyFile  string
	format, out      string
	filter, columns  string
	asOf, from, till string
	describe         bool
	giveUp           time.Duration
}

func exportCommand() *cobra.Command {
	var f exportFlags
	c := &cobra.Command{
		Use:   "export REPORT",
		Short: "Write a report to a file",
		Long: `Writes a report of a running service to a file: readings, tracks with their
trend, outlooks as of any date, warnings with their lead time, the fleet summary.
Without REPORT it lists them; with --describe it explains a report's columns.

Every file carries its query, its as-of time and the meaning and unit of each
column: XLSX in its first sheet, Parquet in its metadata, PDF on its last page,
CSV in a second file beside it, FILE-metadata.json. The same query as of the same time gives the same
CSV, byte by byte.

The file appears under its name when it is whole. A transfer that breaks off goes on by
itself, as of the same time: of CSV and JSON lines from where it was, of the others
from the beginning. Stopped (Ctrl-C), nothing is left behind, and the service stops
making it.

With the name of a schedule (reportSchedules/...) in place of REPORT it fetches the
newest file that the schedule made ahead, or with that of a run the run's. Of such a
file what has come is kept, and the same command goes on where it was.

Times are RFC 3339 or a day, which means 00:00 UTC of it. --as-of asks for what
was known then, not for what is known now. Filters are those of the API's lists.

The key is read from --key-file or from CREEPAGE_KEY, never from a flag.`,
		Example: `  creepage export readings --out readings.csv --server http://127.0.0.1:8080 --key-file data/admin.key
  creepage export outlooks --as xlsx --out outlooks.xlsx --as-of 2026-03-02
  creepage export readings --as parquet --out motors.parquet --filter 'component = MOTOR' --from 2026-01-01 --until 2026-04-01
  creepage export fleet_summary --as pdf --out fleet.pdf
  creepage export tracks --as pdf --out truck-17.pdf --filter 'vehicle = "truck-17"'
  creepage export warnings --describe
  creepage export reportSchedules/0190b5f2-6a00-7c1e-9d3a-5f0c2b7e4d11 --out summary.xlsx`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			e, err := f.exporter(cmd.OutOrStdout(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			if len(args) == 0 {
				return e.list(cmd.Context())
			}
			if f.describe {
				return e.describe(cmd.Context(), args[0])
			}
			if strings.HasPrefix(args[0], "reportSchedules/") {
				return e.made(cmd.Context(), args[0])
			}
			return e.run(cmd.Context(), args[0])
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.server, "server", os.Getenv("CREEPAGE_SERVER"), "the service's address, such as http://127.0.0.1:8080 (or CREEPAGE_SERVER)")
	fl.StringVar(&f.keyFile, "key-file", "", "file with the key (or CREEPAGE_KEY with the key itself)")
	fl.StringVar(&f.format, "as", "", "csv, xlsx, parquet, jsonl, or pdf of fleet_summary and tracks (default: the ending of --out, or csv)")
	fl.StringVar(&f.out, "out", "", "the file to write, - for standard output (default REPORT.FORMAT)")
	fl.StringVar(&f.filter, "filter", "", `rows wanted, such as 'component = MOTOR AND shop = "north-yard"'`)
	fl.StringVar(&f.columns, "columns", "", "columns wanted, separated by commas, in that order (default all)")
	fl.StringVar(&f.asOf, "as-of", "", "what was known then (default now)")
	fl.StringVar(&f.from, "from", "", "only rows from then on")
	fl.StringVar(&f.till, "until", "", "only rows before then")
	fl.BoolVar(&f.describe, "describe", false, "explain the report's columns and write no file")
	fl.DurationVar(&f.giveUp, "give-up-after", 2*time.Minute, "how long to wait for a service that is away or busy")
	return c
}

// exporter is an export under way.
type exporter struct {
	exportFlags
	client        *client.Client
	patience      client.Patience
	out, messages io.Writer
}

func (f *exportFlags) exporter(out, messages io.Writer) (*exporter, error) {
	same := importFlags{server: f.server, keyFile: f.keyFile, giveUp: f.giveUp}
	c, patience, err := same.client(messages)
	return &exporter{exportFlags: *f, client: c, patience: patience, out: out, messages: messages}, err
}

func (e *exporter) list(ctx context.Context) error {
	var resp creepagev1.ListReportsResponse
	if err := e.client.CallPatiently(ctx, e.patience, "GET", "/v1/reports", nil, &resp); err != nil {
		return err
	}
	for _, r := range resp.GetReports() {
		fmt.Fprintf(e.out, "%-14s %s\n", reportID(r.GetName()), r.GetDescription())
	}
	return nil
}

func reportID(name string) string { return strings.TrimPrefix(name, "reports/") }

func (e *exporter) describe(ctx context.Context, report string) error {
	var r creepagev1.Report
	if err := e.client.CallPatiently(ctx, e.patience, "GET", "/v1/reports/"+url.PathEscape(report), nil, &r); err != nil {
		return refused(err)
	}
	fmt.Fprintf(e.out, "%s: %s\n\n", r.GetTitle(), r.GetDescription())
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	for _, c := range r.GetColumns() {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", c.GetName(), strings.ToLower(c.GetKind().String()), c.GetUnit(), c.GetDescription())
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "\nfilter over: %s\n", strings.Join(r.GetFilterFields(), ", "))
	if r.GetRangeOf() != "" {
		fmt.Fprintf(e.out, "--from and --until bound: %s\n", r.GetRangeOf())
	}
	return nil
}

func (e *exporter) run(ctx context.Context, report string) error {
	query, err := e.query()
	if err != nil {
		return err
	}
	format := query.Get("format")
	if e.exportFlags.out == "" {
		e.exportFlags.out = report + "." + format
	}
	path := "/v1/reports/" + url.PathEscape(report) + ":download?"
	if format == "csv" && e.exportFlags.out != "-" {
		return e.withDescription(ctx, report, path, query)
	}
	return e.write(ctx, report, path+query.Encode(), e.exportFlags.out)
}

// query is what the flags ask for.
func (e *exporter) query() (url.Values, error) {
	if e.format == "" {
		e.format = strings.TrimPrefix(strings.ToLower(filepath.Ext(e.exportFlags.out)), ".")
	}
	if e.format == "" {
		e.format = "csv"
	}
	q := url.Values{"format": {e.format}}
	for name, value := range map[string]string{"filter": e.filter, "columns": e.columns} {
		if value != "" {
			q.Set(name, value)
		}
	}
	for _, t := range []struct{ flag, value, name string }{{"as-of", e.asOf, "asOfTime"}, {"from", e.from, "startTime"}, {"until", e.till, "endTime"}} {
		if t.value == "" {
			continue
		}
		at, err := readTime(t.value)
		if err != nil {
			return nil, &exitError{exitUsage, fmt.Errorf("--%s %q: want a day such as 2026-03-02, or an RFC 3339 time such as 2026-03-02T09:15:00Z", t.flag, t.value)}
		}
		q.Set(t.name, at.UTC().Format(time.RFC3339Nano))
	}
	return q, nil
}

func readTime(text string) (time.Time, error) {
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return day, nil
	}
	return time.Parse(time.RFC3339, text)
}

// withDescription writes a CSV file and its description, both as of one time,
// which the service names with the description.
func (e *exporter) withDescription(ctx context.Context, report, path string, query url.Values) error {
	q := url.Values{}
	for k, v := range query {
		q[k] = v
	}
	q.Set("format", "csvw")
	resp, err := e.client.Download(ctx, e.patience, path+q.Encode())
	if err != nil {
		return refused(err)
	}
	defer resp.Body.Close()
	described, err := describing(resp.Body, e.exportFlags.out)
	if err != nil {
		return err
	}
	query.Set("asOfTime", resp.Header.Get("Creepage-As-Of"))
	if err := e.write(ctx, report, path+query.Encode(), e.exportFlags.out); err != nil {
		return err
	}
	return os.WriteFile(e.exportFlags.out+"-metadata.json", described, 0o644)
}

// describing is the description that a download brings, under the name of the
// file that it lies beside.
func describing(download io.Reader, file string) ([]byte, error) {
	text, err := io.ReadAll(download)
	if err != nil {
		return nil, err
	}
	var document map[string]any
	if err := json.Unmarshal(text, &document); err != nil {
		return nil, fmt.Errorf("the description is not what the contract says: %w", err)
	}
	document["url"] = filepath.Base(file)
	var described bytes.Buffer
	encoder := json.NewEncoder(&described)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	err = encoder.Encode(document)
	return described.Bytes(), err
}

// write downloads a file under another name and gives it its own when it is whole.
func (e *exporter) write(ctx context.Context, report, path, to string) error {
	d := &download{exporter: e, path: path, repeats: repeats(path), sum: sha256.New()}
	if to == "-" {
		d.to = e.out
		return d.run(ctx)
	}
	part, err := os.CreateTemp(filepath.Dir(to), filepath.Base(to)+".*.part")
	if err != nil {
		return err
	}
	d.to, d.show = part, newTransfer(e.messages, report)
	d.anew = func() error {
		_, err := part.Seek(0, io.SeekStart)
		return errors.Join(err, part.Truncate(0))
	}
	err = d.run(ctx)
	d.show.end(err == nil)
	if err = errors.Join(err, part.Chmod(0o644), part.Close()); err == nil {
		err = os.Rename(part.Name(), to)
	}
	if err != nil {
		if removed := os.Remove(part.Name()); removed != nil {
			return fmt.Errorf("%w; %s holds the beginning and could not be removed: %w", err, part.Name(), removed)
		}
		if ctx.Err() != nil {
			return fmt.Errorf("broken off after %d bytes; nothing was left behind", d.n)
		}
		if isLasting(err) {
			return err
		}
		return fmt.Errorf("%w; nothing was left behind, start the same command again", err)
	}
	fmt.Fprintf(e.out, "%s: %d bytes, as of %s\n", to, d.n, d.asOf)
	return nil
}

// exportFlagOf is the flag behind each field of a download.
var exportFlagOf = map[string]string{"format": "--as", "filter": "--filter", "columns": "--columns", "as_of_time": "--as-of", "start_time": "--from", "end_time": "--until", "name": "REPORT"}

// refused is the service's refusal in the words of the command line: it names
// the flag that caused it.
func refused(err error) error {
	st := status.Convert(err)
	for _, d := range st.Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			if flag, ok := exportFlagOf[v.GetField()]; ok {
				return &lasting{&exitError{exitUsage, fmt.Errorf("%s: %s", flag, strings.ReplaceAll(v.GetDescription(), "reports/", ""))}}
			}
		}
	}
	switch st.Code() {
	case codes.Unknown:
		return err
	case codes.Unavailable, codes.ResourceExhausted, codes.DeadlineExceeded, codes.Canceled, codes.Internal:
		return errors.New(st.Message())
	}
	return &lasting{errors.New(st.Message())}
}

// lasting is a refusal that the same command would meet again.
type lasting struct{ error }

func (l *lasting) Unwrap() error { return l.error }

func isLasting(err error) bool {
	var l *lasting
	return errors.As(err, &l)
}
