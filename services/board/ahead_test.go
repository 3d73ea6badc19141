package board_test

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	creepagev1 "creepage/api/creepage/v1"
)

// made is the page of a timetable when nothing is on its way any more.
func (p *plain) made(at string) string {
	p.t.Helper()
	return p.settled(at, 90*time.Second)
}

// aheadFields is a form of a weekly file of all outlooks.
func aheadFields(page string) url.Values {
	f := form(page)
	for name, value := range map[string]string{"title": "Monday list", "report": "outlooks", "format": "csv", "as_of": "DUE_TIME", "span": "ALL", "frequency": "WEEKLY", "weekday": "1", "month_day": "1",
		"hour": "6", "time_zone": "Europe/Berlin", "destination": "local", "folder": "weekly"} {
		f.Set(name, value)
	}
	return f
}

func TestATimetableIsMadeAFileOrderedFetchedTriedAgainSwitchedAndRemoved(t *testing.T) {
	p := newPlain(t, here.adminKey)
	_, page := p.get("/ahead")
	for _, want := range []string{"There is none.", `<option value="local">local, a folder</option>`, `<option value="fleet_summary">`, `<option value="6" selected>06:00</option>`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	f := aheadFields(page)
	for _, c := range []struct{ field, value, id, says string }{
		{"time_zone", "Mars/Crater", "a-zone", "Mars/Crater"}, {"folder", "../up", "a-folder", "../up"}, {"filter", "colour = RED", "a-filter", "colour"}, {"columns", "nonsense", "a-columns", "nonsense"},
		{"span", "YEAR", "a-span", "has no range of time"}, {"destination", "elsewhere", "a-destination", "elsewhere"}, {"format", "docx", "a-format", "docx"}, {"weekday", "9", "a-weekday", "7"},
	} {
		bad := aheadFields(page)
		bad.Set(c.field, c.value)
		code, answer := p.post("/ahead", bad)
		beside := regexp.MustCompile(`<span class="amiss" id="` + c.id + `-amiss">([^<]*)`).FindStringSubmatch(answer)
		if code != http.StatusBadRequest || beside == nil || !strings.Contains(beside[1], c.says) || !strings.Contains(answer, "No timetable was made.") || !strings.Contains(answer, `value="Monday list"`) {
			t.Errorf("%s %q is answered %d, beside the field stands %q", c.field, c.value, code, beside)
		}
	}
	code, page := p.post("/ahead", f)
	if code != http.StatusOK || !strings.Contains(page, "every Monday at 06:00, Europe/Berlin") || !strings.Contains(page, "None yet.") {
		t.Fatalf("%d %.4000s", code, page)
	}
	_, list := p.get("/ahead")
	at := regexp.MustCompile(`<a href="(/ahead/[0-9a-f-]+)">Monday list</a>`).FindStringSubmatch(list)
	if at == nil {
		t.Fatalf("the timetable is not listed: %s", list)
	}
	if code, page = p.post(at[1]+"/make", form(page)); code != http.StatusOK || !strings.Contains(page, "The file is on its way") {
		t.Fatalf("%d %.4000s", code, page)
	}
	page = p.made(at[1])
	file := regexp.MustCompile(`<a href="(/ahead/[^"]+/files/[^"]+)">(weekly/[^<]+\.csv)</a>`).FindStringSubmatch(page)
	if file == nil {
		t.Fatalf("there is no file: %s", page)
	}
	res, err := p.client.Get(p.base + file[1])
	code, content := p.read(res, err)
	header, rows, _ := strings.Cut(content, "\n")
	want := len(get[creepagev1.ListOutlooksResponse](t, "/v1/outlooks?pageSize=1000").GetOutlooks())
	if code != http.StatusOK || !strings.Contains(header, "vehicle") || strings.Count(rows, "\n") != want || !strings.Contains(res.Header.Get("Content-Disposition"), "attachment") {
		t.Errorf("the file: %d %v, %d rows for %d vehicles\n%.300s", code, res.Header, strings.Count(rows, "\n"), want, content)
	}
	if code, described := p.get(file[1] + "?columns=1"); code != http.StatusOK || !strings.Contains(described, "http://www.w3.org/ns/csvw") {
		t.Errorf("its columns: %d %.300s", code, described)
	}
	if code, answer := p.post(file[1]+"/retry", form(page)); code != http.StatusBadRequest || !strings.Contains(answer, "only one that has FAILED") {
		t.Errorf("a file that is made is tried again: %d", code)
	}
	if code, page = p.post(at[1]+"/switch", form(page)); code != http.StatusOK || !strings.Contains(page, "<b>Off</b> since") {
		t.Errorf("switched off: %d %s", code, page)
	}
	if code, page = p.post(at[1]+"/switch", form(page)); code != http.StatusOK || !strings.Contains(page, "<b>On.</b> The next file comes") {
		t.Errorf("switched on: %d", code)
	}
	f = aheadFields(page)
	f.Set("frequency", "MONTHLY")
	f.Set("month_day", "31")
	f.Set("title", "Month's end")
	if code, page = p.post(at[1]+"/change", f); code != http.StatusOK || !strings.Contains(page, "on day 31 of every month (or its last) at 06:00") || !strings.Contains(page, "<h1>Month&#39;s end</h1>") {
		t.Errorf("changed: %d %s", code, page)
	}
	f.Set("hour", "25")
	if code, answer := p.post(at[1]+"/change", f); code != http.StatusBadRequest || !strings.Contains(answer, `id="a-hour-amiss"`) || !strings.Contains(answer, `value="Month&#39;s end"`) {
		t.Errorf("hour 25 is answered %d", code)
	}
	if code, page = p.post(at[1]+"/remove", form(page)); code != http.StatusOK || !strings.Contains(page, "There is none.") {
		t.Errorf("removed: %d", code)
	}
	if code, _ := p.get(at[1]); code != http.StatusNotFound {
		t.Errorf("removed, it is answered %d", code)
	}
	// A shop's key sees none of it.
	if code, page := newPlain(t, here.shopKey).get("/ahead"); code != http.StatusForbidden || !strings.Contains(page, "It may enter and correct its own shop’s readings") || strings.Contains(page, "SHOP") {
		t.Errorf("a shop's key is answered %d %.3000s", code, page)
	}
}

// A file lies where the folder of the files should be, so that making them fails,
// until it is taken away.
func TestAFileThatFailedSaysWhyOnThePageOfItsTimetable(t *testing.T) {
	p := newPlain(t, here.adminKey)
	_, page := p.get("/ahead")
	f := aheadFields(page)
	f.Set("folder", "taken")
	in := filepath.Join(here.data, "reports", "local")
	if err := os.MkdirAll(in, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(in, "taken"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	_, page = p.post("/ahead", f)
	at := regexp.MustCompile(`action="(/ahead/[0-9a-f-]+)/make"`).FindStringSubmatch(page)
	if at == nil {
		t.Fatalf("no timetable was made: %s", page)
	}
	p.post(at[1]+"/make", form(page))
	page = p.made(at[1])
	if !strings.Contains(page, "failed so far, tried again") || !strings.Contains(page, "taken") {
		t.Errorf("the page says %.9000s", page)
	}
	p.post(at[1]+"/remove", form(page))
}
