package report

import (
	"bufio"
	"context"
	"io"
	"net/url"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/problem"
	"creepage/internal/store"
)

// pieceBytes is the size of the pieces in which a file is sent.
const pieceBytes = 128 << 10

// DownloadReport streams a report as a file.
func (s *Service) DownloadReport(req *creepagev1.DownloadReportRequest, stream grpc.ServerStreamingServer[httpbody.HttpBody]) error {
	d, err := s.prepare(req)
	if err != nil {
		return err
	}
	if err := stream.SetHeader(d.header()); err != nil {
		return err
	}
	out := bufio.NewWriterSize(&pieces{stream: stream, contentType: d.format.ContentType()}, pieceBytes)
	if d.format == CSVW {
		text, err := CSVMetadata(CSV.FileName(d.table.Name), &d.table, d.about)
		if err != nil {
			return err
		}
		if _, err := out.Write(text); err != nil {
			return err
		}
		return out.Flush()
	}
	if err := s.write(stream.Context(), d, out, s.read); err != nil {
		return err
	}
	return out.Flush()
}

// write writes the file of a download, with the rows that read brings.
func (s *Service) write(ctx context.Context, d *download, out io.Writer, read func(context.Context, func(*store.Tx) error) error) error {
	if d.format == PDF {
		return d.print(ctx, s, out, read)
	}
	encoder, err := NewEncoder(d.format, out, &d.table, d.about)
	if err != nil {
		return err
	}
	row := d.pick(encoder.Row)
	err = read(ctx, func(tx *store.Tx) error {
		return d.report.rows(ctx, s, tx, &d.query, func(cells []Value) error { d.rows++; return row(cells) })
	})
	if err != nil {
		return err
	}
	return encoder.Close()
}

// pieces sends what is written as pieces of the body.
type pieces struct {
	stream      grpc.ServerStreamingServer[httpbody.HttpBody]
	contentType string
}

// Write sends one piece. The first one tells the type.
func (p *pieces) Write(b []byte) (int, error) {
	err := p.stream.Send(&httpbody.HttpBody{ContentType: p.contentType, Data: b})
	p.contentType = ""
	return len(b), err
}

// download is a request that was found in order.
type download struct {
	report *report
	query  query
	format Format
	table  Table // with the columns asked for
	picked []int // their places among all; nil: all as they are
	about  About
	asked  url.Values
	rows   int64 // written so far; of a PDF those of its tables
}

func (s *Service) prepare(req *creepagev1.DownloadReportRequest) (*download, error) {
	r, err := named(req.GetName())
	if err != nil {
		return nil, err
	}
	d := &download{report: r, format: CSV, table: r.Table, asked: url.Values{}}
	if req.GetFormat() != "" {
		if d.format = Format(req.GetFormat()); !slices.Contains(r.formats(), d.format) {
			return nil, unknownFormat(r, d.format)
		}
	}
	if d.query.where, err = r.fields().Parse(req.GetFilter()); err != nil {
		return nil, err
	}
	if err := d.takeTimes(req, s.now()); err != nil {
		return nil, err
	}
	if err := d.takeColumns(req.GetColumns()); err != nil {
		return nil, err
	}
	if req.GetFilter() != "" {
		d.asked.Set("filter", req.GetFilter())
	}
	format := d.format
	if format == CSVW {
		format = CSV
	}
	d.asked.Set("format", string(format))
	d.query.filterText = req.GetFilter()
	d.about = About{Query: d.path(), AsOf: d.query.in.AsOf, Software: s.software}
	return d, nil
}

// path is the query as it can be asked again.
func (d *download) path() string {
	return "/v1/" + collection + d.report.Name + ":download?" + d.asked.Encode()
}

// takeTimes reads the three times: they must be times, lie in order and mean
// something to the report.
func (d *download) takeTimes(req *creepagev1.DownloadReportRequest, now time.Time) error {
	in := &d.query.in
	in.AsOf = now.UTC().Truncate(time.Microsecond)
	for _, t := range []struct {
		field, parameter string
		sent             interface {
			CheckValid() error
			AsTime() time.Time
		}
		given bool
		to    *time.Time
	}{
		{"as_of_time", "asOfTime", req.GetAsOfTime(), req.GetAsOfTime() != nil, &in.AsOf},
		{"start_time", "startTime", req.GetStartTime(), req.GetStartTime() != nil, &in.Start},
		{"end_time", "endTime", req.GetEndTime(), req.GetEndTime() != nil, &in.End},
	} {
		if !t.given {
			continue
		}
		if err := t.sent.CheckValid(); err != nil {
			return problem.InvalidField(t.field, "%v; allowed are RFC 3339 times from year 1 to 9999", err)
		}
		if t.field != "as_of_time" && d.report.rangeOf == "" {
			return problem.InvalidField(t.field, "the report %s has one row a vehicle and no range of time; as_of_time says as of when", d.report.Name)
		}
		*t.to = t.sent.AsTime().Truncate(time.Microsecond)
		d.asked.Set(t.parameter, t.to.Format(time.RFC3339Nano))
	}
	d.asked.Set("asOfTime", in.AsOf.Format(time.RFC3339Nano))
	if in.AsOf.After(now) {
		return problem.InvalidField("as_of_time", "%s lies in the future; allowed is up to now, %s", in.AsOf.Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	}
	if !in.Start.IsZero() && !in.End.IsZero() && !in.Start.Before(in.End) {
		return problem.InvalidField("end_time", "%s does not lie after start_time, %s", in.End.Format(time.RFC3339), in.Start.Format(time.RFC3339))
	}
	return nil
}

// takeColumns chooses columns, each named once.
func (d *download) takeColumns(sent []string) error {
	if d.format == PDF && len(sent) > 0 {
		return problem.InvalidField("columns", "a PDF is laid out as it is; leave columns out, or ask for another format: %s", words(Formats()))
	}
	var columns []Column
	var list []string
	for name := range strings.SplitSeq(strings.Join(sent, ","), ",") {
		if name = strings.TrimSpace(name); name == "" {
			continue
		}
		at := -1
		for i, c := range d.report.Columns {
			if c.Name == name {
				at = i
			}
		}
		if at < 0 {
			return problem.InvalidField("columns", "%q is not a column of the report %s; allowed are %s", name, d.report.Name, columnNames(d.report.Columns))
		}
		for _, before := range d.picked {
			if before == at {
				return problem.InvalidField("columns", "%q is named twice", name)
			}
		}
		d.picked = append(d.picked, at)
		columns = append(columns, d.report.Columns[at])
		list = append(list, name)
	}
	if columns != nil {
		d.table.Columns = columns
		d.asked.Set("columns", strings.Join(list, ","))
	}
	return nil
}

func columnNames(columns []Column) string {
	list := make([]string, len(columns))
	for i, c := range columns {
		list[i] = c.Name
	}
	return strings.Join(list, ", ")
}

// pick takes the chosen columns out of each row.
func (d *download) pick(row func([]Value) error) func([]Value) error {
	if d.picked == nil {
		return row
	}
	chosen := make([]Value, len(d.picked))
	return func(cells []Value) error {
		for i, at := range d.picked {
			chosen[i] = cells[at]
		}
		return row(chosen)
	}
}

// header tells a REST client the file's name, and of a CSV file where its
// description is (RFC 8288; W3C "Model for Tabular Data" section 5.2).
func (d *download) header() metadata.MD {
	file := d.format.FileName("creepage-" + d.report.Name + "-" + d.query.in.AsOf.Format("20060102T150405Z"))
	md := metadata.Pairs("content-disposition", `attachment; filename="`+file+`"`, "creepage-as-of", d.query.in.AsOf.Format(time.RFC3339Nano))
	if d.format == CSV {
		described := strings.Replace(d.path(), "format="+string(CSV), "format="+string(CSVW), 1)
		md.Append("link", "<"+described+`>; rel="describedby"; type="`+CSVW.ContentType()+`"`)
	}
	return md
}
