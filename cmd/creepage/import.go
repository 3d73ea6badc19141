package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/client"
	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/sheet"
)

// importFlags are what the import command is told.
type importFlags struct {
	server, keyFile          string
	rejects, mapping         string
	platforms, codes, events string
	batch                    int
	dryRun, fromStart, live  bool
	suggest, createShops     bool
	rows                     bool
	giveUp                   time.Duration
}

func importCommand() *cobra.Command {
	var f importFlags
	c := &cobra.Command{
		Use:   "import FILE.csv|FILE.xlsx",
		Short: "Take a file of readings to a service",
		Long: `Takes a table of readings to a running service through its API.

The file has the columns
  ` + strings.Join(record.ReadingColumns[:9], ",") + `,
  ` + strings.Join(record.ReadingColumns[9:], ",") + `
and may have
  ` + strings.Join(record.OptionalReadingColumns, ",") + `
in any order. Resistances may be written as people write them: 550 MΩ, >550M,
0.42 GΩ, or OL where range_ohm gives the top of the meter's range.

A row that cannot be taken goes to the rejects file with its line and reason;
mend it there and import that file. An import that was broken off goes on where
it was when it is started again (its place is kept in FILE.csv.import); nothing
is ever taken twice, for a reading is known by its identity.

A table in another form (other column names, decimal commas, local times, one
column a phase, XLSX) is read by a mapping file. --suggest proposes one from the
header and the first rows and lists what it cannot tell; an import guesses
nothing. --dry-run --rows shows every reading as it would be sent.

Old records make no news: no warning of the past is sent to anybody. With --live
the readings count as today's.

The key is read from --key-file or from CREEPAGE_KEY, never from a flag.

Exit code 3 says that rows were refused, or would be.`,
		Example: `  creepage import readings.csv --server http://127.0.0.1:8080 --key-file data/admin.key
  creepage import old.csv --dry-run
  creepage import old.xlsx --suggest > old.mapping.json
  creepage import old.xlsx --mapping old.mapping.json --dry-run --rows
  creepage import readings.csv --platforms platforms.json --codes codes.csv --server http://127.0.0.1:8080 --key-file data/admin.key`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.suggest {
				return suggestMapping(cmd.OutOrStdout(), args[0])
			}
			return runImport(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), args[0], f)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.server, "server", os.Getenv("CREEPAGE_SERVER"), "the service's address, such as http://127.0.0.1:8080 (or CREEPAGE_SERVER)")
	fl.StringVar(&f.keyFile, "key-file", "", "file with the key (or CREEPAGE_KEY with the key itself)")
	fl.StringVar(&f.rejects, "rejects", "", "where refused rows go (default FILE.csv.rejects.csv, with --dry-run FILE.csv.dry-run.rejects.csv)")
	fl.StringVar(&f.mapping, "mapping", "", "how to read a table that is not in the form of readings.csv")
	fl.BoolVar(&f.suggest, "suggest", false, "propose a mapping and import nothing")
	fl.StringVar(&f.platforms, "platforms", "", "platforms.json to state before the readings")
	fl.BoolVar(&f.createShops, "create-shops", false, "create the shops that the file names and the service does not know")
	fl.StringVar(&f.codes, "codes", "", "codes.csv to submit after the readings")
	fl.StringVar(&f.events, "events", "", "events.csv to record as repairs after the readings")
	fl.IntVar(&f.batch, "batch", 500, fmt.Sprintf("readings a request, at most %d", sheet.MaxBatch))
	fl.BoolVar(&f.dryRun, "dry-run", false, "say what would be refused without asking any service")
	fl.BoolVar(&f.rows, "rows", false, "with --dry-run: write a line of CSV for each reading, as it would be sent or why it would be refused")
	fl.BoolVar(&f.fromStart, "from-start", false, "begin at the first row even if an import was broken off")
	fl.BoolVar(&f.live, "live", false, "these are readings of today, about which warnings are news")
	fl.DurationVar(&f.giveUp, "give-up-after", 2*time.Minute, "how long to wait for a service that is away or full")
	return c
}

func runImport(ctx context.Context, out, messages io.Writer, path string, f importFlags) error {
	mapping, written, err := f.readMapping()
	if err != nil {
		return err
	}
	source, err := sheet.SourceOf(path, f.server, written)
	if err != nil {
		return err
	}
	table, err := sheet.Open(path, mapping)
	if err != nil {
		return err
	}
	defer table.Close()
	if ignored := table.Ignored(); len(ignored) > 0 {
		fmt.Fprintf(messages, "columns that mean nothing here and are left out: %s\n", strings.Join(ignored, ", "))
	}
	if f.rejects == "" {
		f.rejects = path + ".rejects.csv"
		if f.dryRun { // that of an import before holds rows that were refused
			f.rejects = path + ".dry-run.rejects.csv"
		}
	}
	show := newProgress(messages, "readings", table.Total())
	im := sheet.Import{
		Batch: f.batch, Live: f.live, Now: time.Now(),
		Checkpoint: sheet.Checkpoint{Source: source},
		Progress:   func(p sheet.Place, n sheet.Counts) { show.show(p.Offset, n.Rows) },
	}
	if !f.dryRun {
		if err := f.connect(ctx, &im, path, messages); err != nil {
			show.end(false)
			return err
		}
	}
	tell := func() error { return nil }
	if f.rows {
		if !f.dryRun {
			show.end(false)
			return &exitError{exitUsage, errors.New("--rows goes with --dry-run")}
		}
		im.Judged, tell = tellRows(out)
	}
	im.Rejects, err = sheet.NewRejects(f.rejects, table, im.Checkpoint.Rejects)
	if err != nil {
		return fmt.Errorf("rejects file: %w", err)
	}
	counts, err := im.Run(ctx, table)
	show.end(err == nil)
	for _, remark := range table.Remarks() {
		fmt.Fprintln(messages, remark)
	}
	if err := errors.Join(err, im.Rejects.Close(), tell()); err != nil {
		if im.CheckpointFile != "" {
			return fmt.Errorf("%w\n%d readings are done; start the same command again to go on from there", err, counts.Rows)
		}
		return err
	}
	return f.finish(ctx, out, counts)
}

// tellRows writes each reading of a dry run; the second result ends it.
func tellRows(out io.Writer) (func(sheet.Row, error), func() error) {
	w := csv.NewWriter(out)
	_ = w.Write([]string{"line", "would_be", "reading_id", "shop", "vehicle", "platform", "measured_at", "method", "component", "conductor", "relation", "resistance_ohm", "reason"}) // Error below tells
	return func(row sheet.Row, refused error) {
			r := &row.Reading
			if refused != nil && r.Vehicle == "" { // nothing could be read
				_ = w.Write([]string{strconv.Itoa(row.Line), "refused", "", "", "", "", "", "", "", "", "", "", refused.Error()})
				return
			}
			would, reason := "sent", ""
			if refused != nil {
				would, reason = "refused", refused.Error()
			}
			_ = w.Write([]string{strconv.Itoa(row.Line), would, r.ID, r.Shop, r.Vehicle, r.Platform, r.MeasuredAt.UTC().Format(time.RFC3339), r.Method.String(), r.Component.String(),
				r.Conductor.String(), r.Relation.String(), strconv.FormatFloat(r.Ohms, 'g', -1, 64), reason})
		}, func() error {
			w.Flush()
			return w.Error()
		}
}

// readMapping returns the mapping and its bytes, nil without one.
func (f *importFlags) readMapping() (*sheet.Mapping, []byte, error) {
	if f.mapping == "" {
		return nil, nil, nil
	}
	written, err := os.ReadFile(f.mapping)
	if err != nil {
		return nil, nil, err
	}
	m, err := sheet.ReadMapping(bytes.NewReader(written), f.mapping)
	return m, written, err
}

func suggestMapping(out io.Writer, path string) error {
	m, err := sheet.Suggest(path, "")
	if err != nil {
		return err
	}
	e := json.NewEncoder(out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(m)
}

// connect makes the import ready to talk to the service, stating the platforms first.
func (f *importFlags) connect(ctx context.Context, im *sheet.Import, path string, messages io.Writer) error {
	c, patience, err := f.client(messages)
	if err != nil {
		return err
	}
	if f.platforms != "" {
		platforms, err := readFile(f.platforms, record.ReadPlatforms)
		if err != nil {
			return err
		}
		if err := c.PutPlatforms(ctx, patience, platforms); err != nil {
			return err
		}
	}
	if f.createShops {
		if err := f.makeShops(ctx, c, patience, path); err != nil {
			return err
		}
	}
	im.Submit = func(ctx context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
		resp := &creepagev1.SubmitReadingsResponse{}
		return resp, c.CallPatiently(ctx, patience, "POST", "/v1/readings:submit", req, resp)
	}
	im.CheckpointFile = path + ".import"
	if f.fromStart {
		return nil
	}
	var again bool
	im.Checkpoint, again, err = sheet.LoadCheckpoint(im.CheckpointFile, im.Checkpoint.Source)
	if again {
		fmt.Fprintf(messages, "going on after row %d, where the last import was broken off\n", im.Checkpoint.Counts.Rows)
	}
	return err
}

// makeShops creates the shops named in the table, which it reads for that.
func (f *importFlags) makeShops(ctx context.Context, c *client.Client, patience client.Patience, path string) error {
	mapping, _, err := f.readMapping()
	if err != nil {
		return err
	}
	ids, err := sheet.Shops(path, mapping)
	if err != nil {
		return err
	}
	shops := make([]*creepagev1.Shop, len(ids))
	for i, id := range ids {
		shops[i] = &creepagev1.Shop{Name: "shops/" + id}
	}
	return c.EnsureShops(ctx, patience, shops)
}

// awayAgain is how long after its last failure a service is away anew.
const awayAgain = 30 * time.Second

func (f *importFlags) client(messages io.Writer) (*client.Client, client.Patience, error) {
	key, err := readKey(f.keyFile)
	if err != nil {
		return nil, client.Patience{}, err
	}
	if f.server == "" {
		return nil, client.Patience{}, &exitError{exitUsage, errors.New("--server is missing: want the service's address, such as http://127.0.0.1:8080")}
	}
	c, err := client.New(f.server, key)
	if err != nil {
		return nil, client.Patience{}, &exitError{exitUsage, err}
	}
	patience := client.DefaultPatience()
	patience.GiveUp = f.giveUp
	var told string
	var heard time.Time
	patience.OnRetry = func(err error, wait time.Duration) { // once for each time that it is away; the end says it again
		now := time.Now()
		if err.Error() != told || now.Sub(heard) > awayAgain {
			fmt.Fprintf(messages, "waiting for up to %s: %v\n", f.giveUp, err)
		}
		told, heard = err.Error(), now.Add(wait)
	}
	return c, patience, nil
}

// finish sends what goes with the readings and says what became of everything.
func (f *importFlags) finish(ctx context.Context, out io.Writer, n sheet.Counts) error {
	if f.dryRun {
		fmt.Fprintf(out, "%d readings: %d could be sent, %d would be refused\n", n.Rows, n.Accepted, n.Rejected)
	} else {
		fmt.Fprintf(out, "%d readings: %d accepted, %d known already, %d refused\n", n.Rows, n.Accepted, n.Duplicates, n.Rejected)
		if err := f.sendRest(ctx, out); err != nil {
			return err
		}
	}
	if n.Rejected > 0 && f.dryRun {
		return &exitError{exitRejects, fmt.Errorf("%d readings would be refused; their rows are in %s with the reason", n.Rejected, f.rejects)}
	}
	if n.Rejected > 0 {
		return &exitError{exitRejects, fmt.Errorf("%d readings were refused; their rows are in %s with the reason, to be mended and imported", n.Rejected, f.rejects)}
	}
	return nil
}

func (f *importFlags) sendRest(ctx context.Context, out io.Writer) error {
	if f.codes == "" && f.events == "" {
		return nil
	}
	c, patience, err := f.client(io.Discard)
	if err != nil {
		return err
	}
	if f.codes != "" {
		codes, err := readRows(f.codes, record.ReadCodes)
		if err != nil {
			return err
		}
		if err := c.SubmitCodes(ctx, patience, codes, !f.live); err != nil {
			return err
		}
		fmt.Fprintf(out, "%d codes\n", len(codes))
	}
	if f.events != "" {
		events, err := readRows(f.events, record.ReadEvents)
		if err != nil {
			return err
		}
		if err := c.RecordRepairs(ctx, patience, events); err != nil {
			return err
		}
		fmt.Fprintf(out, "%d repairs\n", len(events))
	}
	return nil
}

// readKey reads the key from a file, or from CREEPAGE_KEY if none is named.
func readKey(path string) (string, error) {
	if path == "" {
		if key := os.Getenv("CREEPAGE_KEY"); key != "" {
			return key, nil
		}
		return "", &exitError{exitUsage, errors.New("no key: want --key-file FILE, or CREEPAGE_KEY")}
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("key file: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

func readFile[T any](path string, read func(io.Reader, string) (T, error)) (T, error) {
	f, err := os.Open(path)
	if err != nil {
		var none T
		return none, err
	}
	defer f.Close()
	return read(f, path)
}

// readRows reads a small table of which every row must be good.
func readRows[T insulation.Code | insulation.Event](path string, read func(io.Reader, string) ([]T, []*record.RowError, error)) ([]T, error) {
	return readFile(path, func(r io.Reader, name string) ([]T, error) {
		rows, bad, err := read(r, name)
		if err == nil && len(bad) > 0 {
			err = fmt.Errorf("%s: %w (and %d more)", name, bad[0], len(bad)-1)
		}
		return rows, err
	})
}
