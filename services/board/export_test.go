package board_test

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"
)

// keepDownloads has the window put what it downloads into a folder.
func (b *browser) keepDownloads() string {
	b.t.Helper()
	dir := b.t.TempDir()
	info := run(b, call(target.GetTargetInfo, target.GetTargetInfoParams{}))
	run(b, call(cdpbrowser.SetDownloadBehavior, cdpbrowser.SetDownloadBehaviorParams{Behavior: cdpbrowser.SetDownloadBehaviorBehaviorAllow,
		BrowserContextID: info.TargetInfo.BrowserContextID, DownloadPath: dir}))
	return dir
}

// arrived waits for the one file of a folder of downloads and returns its name and content.
func (b *browser) arrived(dir string) (name, content string) {
	b.t.Helper()
	for end := time.Now().Add(15 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		files, err := os.ReadDir(dir)
		if err != nil {
			b.t.Fatal(err)
		}
		if len(files) == 1 && !strings.HasSuffix(files[0].Name(), ".crdownload") && !strings.HasPrefix(files[0].Name(), ".") {
			text, err := os.ReadFile(filepath.Join(dir, files[0].Name()))
			if err != nil {
				b.t.Fatal(err)
			}
			return files[0].Name(), string(text)
		}
	}
	b.t.Fatal("no file arrived")
	return "", ""
}

// fromAPI downloads a report by the API.
func fromAPI(t *testing.T, report string, q url.Values) string {
	t.Helper()
	body, err := here.api.Raw(t.Context(), "GET", "/v1/reports/"+report+":download?"+q.Encode(), nil)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}

func TestAFileFromTheExportIsTheAPIsOwnWithWhatThePageBeforeShowed(t *testing.T) {
	settle(t)
	b := browse(t)
	b.signIn(here.adminKey)
	for _, c := range []struct {
		from, link, report string
		q                  url.Values
	}{
		{"/?platform=harbor-van-400&state=steady&state=falling", "main p > a[href^='/export']", "outlooks",
			url.Values{"filter": {`platform = "harbor-van-400" AND (state = STEADY OR state = FALLING)`}}},
		{"/?vehicle=van-1", "main p > a[href^='/export']", "outlooks", url.Values{"filter": {`vehicle = "van-1*"`}}},
		{"/fleet", "main a[href^='/export']", "fleet_summary", url.Values{}},
		{"/vehicles/van-02/readings?method=test", "main a[href^='/export']", "readings", url.Values{"filter": {`vehicle = "van-02" AND (method = TESTER OR method = VOLTMETER)`}}},
		{"/vehicles/van-07", "main a[href^='/export']", "readings", url.Values{"filter": {`vehicle = "van-07"`}}},
	} {
		dir := b.keepDownloads()
		b.open(c.from)
		b.follow(chromedp.Click(chromedp.CSS(c.link)))
		b.until(`document.readyState === "complete" && location.pathname === "/export"`)
		b.click("form.export button.main")
		name, got := b.arrived(dir)
		want := fromAPI(t, c.report, c.q)
		if got != want || strings.Count(want, "\n") < 2 {
			t.Errorf("from %s came %d bytes, from the API %d in %d lines", c.from, len(got), len(want), strings.Count(want, "\n"))
		}
		if !strings.HasPrefix(name, "creepage-"+c.report+"-") || !strings.HasSuffix(name, ".csv") {
			t.Errorf("from %s the file is called %s", c.from, name)
		}
	}
	b.quiet()
}

func TestAnExportWithoutScriptTakesFormatDaysColumnsAndAsOf(t *testing.T) {
	settle(t)
	p := newPlain(t, here.adminKey)
	from, to := here.loaded.AddDate(0, 0, -200).UTC().Truncate(24*time.Hour), here.loaded.AddDate(0, 0, -60).UTC().Truncate(24*time.Hour)
	q := url.Values{"report": {"readings"}, "format": {"jsonl"}, "vehicle": {"van-0*"}, "component": {"motor"}, "from": {from.Format(time.DateOnly)}, "to": {to.Format(time.DateOnly)},
		"as_of": {here.loaded.AddDate(0, 0, -101).Format(time.DateOnly)}, "column": {"reading_id", "resistance_ohm"}, "filter": {"shop = \"north-yard\" OR shop = \"quay\""}}
	res, err := p.client.Get(p.base + "/export/download?" + q.Encode())
	code, body := p.read(res, err)
	rfc := func(t time.Time) string { return t.Format(time.RFC3339) }
	want := fromAPI(t, "readings", url.Values{"format": {"jsonl"}, "filter": {`vehicle = "van-0*" AND component = MOTOR AND (shop = "north-yard" OR shop = "quay")`}, "columns": {"reading_id,resistance_ohm"},
		"startTime": {rfc(from)}, "endTime": {rfc(to.AddDate(0, 0, 1))}, "asOfTime": {rfc(here.loaded.UTC().Truncate(24*time.Hour).AddDate(0, 0, -100))}})
	if code != http.StatusOK || body != want {
		t.Errorf("%d %.200s, the API says %.200s", code, body, want)
	}
	if kind := res.Header.Get("Content-Type"); kind != "application/jsonl" || !strings.HasPrefix(res.Header.Get("Content-Disposition"), `attachment; filename="creepage-readings-`) {
		t.Errorf("headers %v", res.Header)
	}
	q.Del("as_of")
	code, now := p.get("/export/download?" + q.Encode())
	if code != http.StatusOK || strings.Count(body, "\n") == 0 || strings.Count(now, "\n") <= strings.Count(body, "\n") {
		t.Errorf("%d with %d rows as known now, %d as known a hundred days ago", code, strings.Count(now, "\n"), strings.Count(body, "\n"))
	}
	// A viewer ten hours east of Greenwich begins the day ten hours earlier.
	day := url.Values{"report": {"readings"}, "vehicle": {"van-02"}, "from": {from.Format(time.DateOnly)}, "from_offset": {"-600"}}
	_, body = p.get("/export/download?" + day.Encode())
	if want := fromAPI(t, "readings", url.Values{"filter": {`vehicle = "van-02"`}, "startTime": {rfc(from.Add(-10 * time.Hour))}}); body != want {
		t.Errorf("the viewer's day: %d bytes, want %d", len(body), len(want))
	}
}

func TestWhatIsWrongWithAnExportStandsOnThePageWithWhatWasChosen(t *testing.T) {
	p := newPlain(t, here.adminKey)
	for _, c := range []struct {
		q    url.Values
		code int
		want []string
	}{
		{url.Values{"report": {"readings"}, "filter": {"colour = RED"}, "vehicle": {"van-0*"}}, http.StatusBadRequest, []string{"colour", `value="van-0*"`, "Download"}},
		{url.Values{"report": {"readings"}, "from": {"yesterday"}}, http.StatusBadRequest, []string{"yesterday", "2026-03-02"}},
		{url.Values{"report": {"readings"}, "from": {"2026-03-02"}, "to": {"2026-03-01"}}, http.StatusBadRequest, []string{"Up to that day: "}},
		{url.Values{"report": {"readings"}, "as_of": {"2999-01-01"}}, http.StatusBadRequest, []string{"future"}},
		{url.Values{"report": {"readings"}, "format": {"doc"}}, http.StatusBadRequest, []string{"doc"}},
		{url.Values{"report": {"tracks"}, "column": {"nothing"}}, http.StatusBadRequest, []string{"nothing"}},
	} {
		res, err := p.client.Get(p.base + "/export/download?" + c.q.Encode())
		code, body := p.read(res, err)
		if code != c.code || res.Header.Get("Content-Disposition") != "" || !strings.HasPrefix(res.Header.Get("Content-Type"), "text/html") {
			t.Errorf("%v: %d %v", c.q, code, res.Header)
		}
		for _, w := range append(c.want, `role="alert"`) {
			if !strings.Contains(body, w) {
				t.Errorf("%v: the page does not say %q", c.q, w)
			}
		}
	}
	if _, page := p.get("/export?report=fleet_summary&state=due&within=30"); !strings.Contains(page, "cannot be narrowed by state, due within") {
		t.Error("a report that has no states does not say that it holds all of them")
	}
	for _, path := range []string{"/export", "/export/download?report=readings"} {
		if code, _ := newPlain(t, here.shopKey).get(path); code != http.StatusForbidden {
			t.Errorf("a shop's key is answered %d at %s", code, path)
		}
	}
}
