package board_test

import (
	"html"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
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

// What a vehicle's page says in numbers stands on its paper to the last digit: the verdict, every part's level with its span, every repair and warning.
func TestAVehiclesPageAndItsPaperSayTheSame(t *testing.T) {
	settle(t)
	p := newPlain(t, here.adminKey)
	for _, vehicle := range []string{"van-02", "van-06", "van-08"} {
		_, page := p.get("/vehicles/" + vehicle)
		file := filepath.Join(t.TempDir(), "vehicle.pdf")
		if err := os.WriteFile(file, []byte(fromAPI(t, "tracks", url.Values{"format": {"pdf"}, "filter": {`vehicle = "` + vehicle + `"`}})), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("pdftotext", "-layout", file, "-").Output()
		if err != nil {
			t.Fatalf("pdftotext (Debian: poppler-utils): %v", err)
		}
		paper := strings.Join(strings.Fields(string(out)), " ")
		section := func(begin, end string) string {
			_, rest, found := strings.Cut(page, begin)
			inside, _, closed := strings.Cut(rest, end)
			if !found || !closed {
				t.Fatalf("%s: no %s on the page", vehicle, begin)
			}
			return html.UnescapeString(regexp.MustCompile(`<svg.*?</svg>|<[^>]*>`).ReplaceAllString(strings.ReplaceAll(inside, "\n", " "), " "))
		}
		said := section(`<p class="why">`, `</p>`)
		if !strings.Contains(paper, strings.TrimSuffix(strings.Join(strings.Fields(said), " "), ".")) { // the page cuts the sentence before its chance
			t.Errorf("%s: the paper lacks the reason %q", vehicle, said)
		}
		numbers := regexp.MustCompile(`\d[\d.]* (?:k|M|G|T)?Ω|\d+ %|\d+ [A-Z][a-z]{2} 20\d\d`)
		words := numbers.FindAllString(section(`<dl class="facts">`, `</dl>`), -1)
		words = append(words, numbers.FindAllString(section(`<div class="parts">`, `</section>`), -1)...)
		if len(words) < 8 {
			t.Errorf("%s: only %d numbers on the page", vehicle, len(words))
		}
		for _, w := range words {
			if !strings.Contains(paper, w) {
				t.Errorf("%s: the page says %s and the paper does not", vehicle, w)
			}
		}
	}
}
