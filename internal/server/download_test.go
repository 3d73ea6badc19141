package server

import (
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/problem"
)

// openDownload asks for a report over REST and returns the answer with its body unread.
func (r *rig) openDownload(t *testing.T) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "GET", r.url+"/v1/reports/readings:download?format=csv", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer ck_fleet")
	resp, err := (&http.Client{}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { resp.Body.Close() })
	return resp
}

func TestADownloadIsItsPiecesWithNothingBetween(t *testing.T) {
	r := newRig(t, Config{})
	r.echo.download = func(req *creepagev1.DownloadReportRequest, s grpc.ServerStreamingServer[httpbody.HttpBody]) error {
		if req.GetName() != "reports/readings" || req.GetFormat() != "csv" {
			t.Errorf("asked for %v", req)
		}
		return errors.Join(s.SetHeader(metadata.Pairs("content-disposition", `attachment; filename="x.csv"`)),
			s.Send(&httpbody.HttpBody{ContentType: "text/csv", Data: []byte("a,b\r\n1,")}), s.Send(&httpbody.HttpBody{Data: []byte("2\r\n")}))
	}
	resp := r.openDownload(t)
	body, err := io.ReadAll(resp.Body)
	if err != nil || string(body) != "a,b\r\n1,2\r\n" || resp.Header.Get("Content-Type") != "text/csv" || resp.Header.Get("Content-Disposition") != `attachment; filename="x.csv"` ||
		resp.Header.Get("X-Request-Id") == "" {
		t.Errorf("%v, %q, %v", err, body, resp.Header)
	}
}

func TestADownloadThatFailsBeforeItsFirstPieceIsAnError(t *testing.T) {
	r := newRig(t, Config{})
	r.echo.download = func(_ *creepagev1.DownloadReportRequest, s grpc.ServerStreamingServer[httpbody.HttpBody]) error {
		return errors.Join(s.SetHeader(metadata.Pairs("content-disposition", `attachment; filename="x.csv"`)), problem.InvalidField("columns", "none of these"))
	}
	code, header, text := r.do(t, "GET", "/v1/reports/readings:download", "ck_fleet", "")
	if e := readError(t, text); code != http.StatusBadRequest || e.field("columns") != "none of these" || header.Get("Content-Disposition") != "" {
		t.Errorf("%d %s %v", code, text, header)
	}
}

func TestADownloadThatBreaksOffIsNeverTakenForAWholeFile(t *testing.T) {
	r := newRig(t, Config{})
	r.echo.download = func(_ *creepagev1.DownloadReportRequest, s grpc.ServerStreamingServer[httpbody.HttpBody]) error {
		return errors.Join(s.Send(&httpbody.HttpBody{ContentType: "text/csv", Data: []byte("a,b\r\n")}), errors.New("the database is gone"))
	}
	resp := r.openDownload(t)
	if body, err := io.ReadAll(resp.Body); err == nil || strings.Contains(string(body), "code") {
		t.Errorf("read %q and %v; want a transfer that broke off, without an error in the file", body, err)
	}
}
