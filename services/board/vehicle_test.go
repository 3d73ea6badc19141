package board_test

import (
	"math"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

// Three years of a monitor's value a day are drawn whole, in a page that a phone
// on the shop's network loads at once.
func TestAVehiclesPageWithThreeYearsOfAMonitorIsLightAndHasEveryMark(t *testing.T) {
	p := newPlain(t, here.adminKey)
	for vehicle, most := range map[string]int{"van-02": 120, "van-15": 200} {
		code, page := p.get("/vehicles/" + vehicle)
		if code != http.StatusOK || len(page) > most<<10 {
			t.Errorf("%s: answered %d with %d kB, want at most %d", vehicle, code, len(page)>>10, most)
		}
		t.Logf("%s: %d kB", vehicle, len(page)>>10)
	}
	b := browse(t)
	b.signIn(here.adminKey)
	b.open("/vehicles/van-15")
	all := b.marks(".plot .mark.monitor")
	top := b.marks(".plot .mark.monitor.above")
	if all != 3*365 || top == 0 || top == all {
		t.Errorf("%d marks of the monitor, %d at its ceiling; %d values were sent, some at the ceiling", all, top, 3*365)
	}
	said := eval[int](b, `[...document.querySelectorAll(".plot .mark metadata")].reduce((n, d) => n + d.textContent.split("\n").length, 0)`)
	if marks := b.marks(".plot .mark"); said != marks {
		t.Errorf("%d marks, %d lines of what is said of them", marks, said)
	}
	b.quiet()
}

func TestPointingAtAMarkSaysItsValueAndDay(t *testing.T) {
	newest := readings(t, "van-15")[0].GetReading()
	b := browse(t)
	b.signIn(here.adminKey)
	b.size(1024, 900)
	b.open("/vehicles/van-15")
	b.until(`document.querySelector(".plot .mark") !== null && !document.querySelector("[aria-busy]")`)
	eval[string](b, `(() => {
		const s = document.querySelector(".plot svg"), r = s.getBoundingClientRect(), scale = r.width / s.viewBox.baseVal.width;
		let last = [0, 0];
		for (const p of document.querySelectorAll(".plot .mark.monitor"))
			for (const shape of p.getAttribute("d").split("Z").slice(0, -1)) {
				const at = shape.slice(shape.lastIndexOf("M") + 1).split("L")[0].split(" ").map(Number);
				at[0] += Number(p.dataset.half);
				if (at[0] > last[0]) last = at;
			}
		s.dispatchEvent(new PointerEvent("pointermove", { bubbles: true, pointerType: "mouse", clientX: r.x + last[0] * scale, clientY: r.y + last[1] * scale }));
		return ""; })()`)
	said := run(b, chromedp.Text(chromedp.CSS(".readout")))
	if day := newest.GetMeasureTime().AsTime().Local().Format("2 Jan 2006"); !strings.Contains(said, day) || !strings.Contains(said, insulation.FormatOhms(newest.GetResistanceOhms())) {
		t.Errorf("pointing at the newest mark says %q; it is %s of %s", said, insulation.FormatOhms(newest.GetResistanceOhms()), day)
	}
	b.quiet()
}

func TestAMonitorsCeilingIsDrawnAsABound(t *testing.T) {
	top := 0
	for _, r := range readings(t, "van-04") {
		if m := r.GetReading(); m.GetMethod() == creepagev1.Reading_MONITOR && math.Abs(math.Log10(m.GetResistanceOhms()/5e6)) <= 0.0022 { // half a per cent
			top++
		}
	}
	b := browse(t)
	b.signIn(here.adminKey)
	b.open("/vehicles/van-04")
	if got := b.marks(".plot .mark.monitor.above"); top < 10 || got != top {
		t.Errorf("%d open marks, %d values at the ceiling of 5 MΩ", got, top)
	}
	b.quiet()
}

func TestDaysOfAChartAreChosenByDraggingByKeyAndWithoutScript(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.open("/vehicles/van-09")
	b.until(`document.querySelector(".plot .mark") !== null && !document.querySelector("[aria-busy]")`)
	all := b.marks(".plot .mark")
	eval[string](b, `(() => {
		const s = document.querySelector(".plot svg"), r = s.getBoundingClientRect();
		const at = (type, share) => s.dispatchEvent(new PointerEvent(type, { bubbles: true, pointerType: "mouse", clientX: r.x + share * r.width, clientY: r.y + 100 }));
		at("pointerdown", 0.3); at("pointermove", 0.5); at("pointerup", 0.5);
		return ""; })()`)
	b.until(`location.search.includes("from=") && !document.querySelector("[aria-busy]")`)
	some := b.marks(".plot .mark")
	if some >= all || some == 0 {
		t.Errorf("%d of %d marks after dragging over a fifth of the chart", some, all)
	}
	at := run(b, chromedp.Location())
	eval[string](b, `document.querySelector(".plot").focus(), document.querySelector(".plot").dispatchEvent(new KeyboardEvent("keydown", { key: "0", bubbles: true })), ""`)
	b.until(`!location.search.includes("from=") && !document.querySelector("[aria-busy]")`)
	if got := b.marks(".plot .mark"); got != all {
		t.Errorf("%d marks after showing all, want %d", got, all)
	}
	b.quiet()
	u, err := url.Parse(at)
	if err != nil {
		t.Fatal(err)
	}
	_, page := newPlain(t, here.adminKey).get(u.RequestURI())
	got := 0
	for _, path := range regexp.MustCompile(`class="mark [^>]* d="([^"]*)"`).FindAllStringSubmatch(page[:strings.Index(page, "Its parts")], -1) {
		got += strings.Count(path[1], "Z")
	}
	if got != some {
		t.Errorf("without script %d marks at the same address, want %d", got, some)
	}
}

func TestAWrongValueIsCorrectedInPlaceOfVoidingAlone(t *testing.T) {
	p := newPlain(t, here.adminKey)
	old := readings(t, "van-12")[0].GetReading()
	q := url.Values{"id": {old.GetReadingId()}, "at": {old.GetMeasureTime().AsTime().Format("2006-01-02T15:04:05.999999999Z")}}
	code, page := p.get("/vehicles/van-12/wrong?" + q.Encode())
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, page)
	}
	f := form(page)
	f.Set("value", "77")
	if code, page := p.post("/vehicles/van-12/wrong", f); code != http.StatusBadRequest || !strings.Contains(page, "what was wrong") {
		t.Errorf("without a reason it is answered %d", code)
	}
	f.Set("reason", "read off the wrong scale")
	f.Set("value", "seven")
	if code, _ := p.post("/vehicles/van-12/wrong", f); code != http.StatusBadRequest {
		t.Errorf("a value that is none is answered %d", code)
	}
	if now := readings(t, "van-12")[0].GetReading(); now.VoidReason != nil {
		t.Fatal("the old reading is void although the new one was not taken")
	}
	f.Set("value", "77")
	if code, page := p.post("/vehicles/van-12/wrong", f); code != http.StatusOK {
		t.Fatalf("%d %s", code, page)
	}
	standing := map[string]float64{}
	reason := ""
	for _, r := range readings(t, "van-12") {
		m := r.GetReading()
		if !m.GetMeasureTime().AsTime().Equal(old.GetMeasureTime().AsTime()) {
			continue
		}
		if m.VoidReason != nil {
			reason = m.GetVoidReason()
		} else {
			standing[m.GetConductor().String()] = m.GetResistanceOhms()
		}
	}
	if len(standing) != 1 || standing[old.GetConductor().String()] != 7.7e7 || reason != "read off the wrong scale" {
		t.Errorf("standing %v, the old one void for %q", standing, reason)
	}
}

func TestShopsMetersAndTheFleetAreReviewedOnTheirPages(t *testing.T) {
	p := newPlain(t, here.adminKey)
	for path, want := range map[string][]string{
		"/shops":    {"North yard", "Bench meter 7", "too few vehicles in common", "overdue", "Without temperature"},
		"/fleet":    {"Harbor van, 400 V", "How components age", "compressor", "nowhere else"},
		"/webhooks": {"Standard Webhooks"},
		"/help":     {"How components age", "against the others", "ceiling"},
	} {
		code, page := p.get(path)
		for _, w := range want {
			if code != http.StatusOK || !strings.Contains(page, w) {
				t.Errorf("%s: answered %d without %q", path, code, w)
			}
		}
	}
	if code, _ := newPlain(t, here.shopKey).get("/webhooks"); code != http.StatusForbidden {
		t.Errorf("a shop's key is answered %d at the webhooks", code)
	}
}

// The stems under the axis stand where days begin: in the viewer's zone, where the
// page's script has left its name, across a change of its clocks too, else in UTC.
// When clocks change is the IANA time zone database's, by the standard library.
func TestAChartMarksTheDaysOfTheViewersZone(t *testing.T) {
	attribute := func(svg, name string) string {
		m := regexp.MustCompile(` ` + name + `="([^"]*)"`).FindStringSubmatch(svg)
		if m == nil {
			t.Fatalf("the chart has no %s", name)
		}
		return m[1]
	}
	for zone, from := range map[string]string{"": "2026-10-20", "Europe/Berlin": "2026-10-20", "Pacific/Auckland": "2026-09-20", "America/St_Johns": "2026-10-28", "Nowhere/At_All": "2026-10-20", "Local": "2026-10-20"} {
		p := newPlain(t, here.adminKey)
		at, err := url.Parse(p.base)
		if err != nil {
			t.Fatal(err)
		}
		if zone != "" {
			p.client.Jar.SetCookies(at, []*http.Cookie{{Name: "creepage_zone", Value: zone}})
		}
		in, err := time.LoadLocation(zone)
		if err != nil || zone == "Local" {
			in = time.UTC
		}
		begin, err := time.ParseInLocation(time.DateOnly, from, in)
		if err != nil {
			t.Fatal(err)
		}
		_, page := p.get("/vehicles/van-02?from=" + from + "&to=" + begin.AddDate(0, 0, 14).Format(time.DateOnly))
		svg := regexp.MustCompile(`(?s)<svg[^>]* class="chart".*?</svg>`).FindString(page[strings.Index(page, `class="plot"`):])
		number := func(name string) float64 {
			x, err := strconv.ParseFloat(attribute(svg, name), 64)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
		start, errFrom := time.Parse(time.RFC3339, attribute(svg, "data-from"))
		end, errTo := time.Parse(time.RFC3339, attribute(svg, "data-to"))
		if errFrom != nil || errTo != nil || !start.Equal(begin) {
			t.Errorf("zone %q: the chart begins %v, want %v", zone, start, begin)
		}
		stems := regexp.MustCompile(`<line class="stem" x1="([0-9.]+)"`).FindAllStringSubmatch(svg, -1)
		if len(stems) < 5 {
			t.Fatalf("zone %q: %d days are marked", zone, len(stems))
		}
		for _, m := range stems {
			x, _ := strconv.ParseFloat(m[1], 64)
			is := start.Add(time.Duration((x - number("data-left")) / (number("data-right") - number("data-left")) * float64(end.Sub(start)))).In(in)
			if off := is.Add(12 * time.Hour); math.Abs(is.Sub(time.Date(off.Year(), off.Month(), off.Day(), 0, 0, 0, 0, in)).Minutes()) > 20 { // a tenth of a pixel is 3 minutes
				t.Errorf("zone %q: a day is marked at %v", zone, is)
			}
		}
	}
}
