package board_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
)

func TestTheRecordOfAVisitAndThePlanAreGivenOnPaper(t *testing.T) {
	p := newPlain(t, here.shopKey)
	_, page := p.get("/visit?vehicle=van-08")
	plan := regexp.MustCompile(`href="(/platforms/[^"]+/plan)"`).FindStringSubmatch(page)
	if plan == nil {
		t.Fatal("the visit's page has no link to the plan")
	}
	f := form(page)
	f.Set("value_0", "431")
	f.Set("unit_0", "mohm")
	if code, body := p.post("/visit", f); code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	settle(t)
	_, done := p.get("/visit/done?" + url.Values{"vehicle": {"van-08"}, "visit": {f.Get("visit")}}.Encode())
	record := regexp.MustCompile(`href="(/visit/record[^"]+)"`).FindStringSubmatch(done)
	if record == nil {
		t.Fatalf("the page after the visit has no link to the record:\n%s", done)
	}
	for _, path := range []string{plan[1], strings.ReplaceAll(record[1], "&amp;", "&")} {
		res, err := p.client.Get(p.base + path)
		code, body := p.read(res, err)
		if code != http.StatusOK || res.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(body, "%PDF-") || !strings.HasPrefix(res.Header.Get("Content-Disposition"), "attachment; filename=") {
			t.Errorf("%s: %d %v %.100q", path, code, res.Header, body)
		}
	}
	if code, _ := p.get("/visit/record?vehicle=van-08&visit=nothing"); code != http.StatusNotFound {
		t.Errorf("a visit that is not there: %d", code)
	}
}
