package board_test

import (
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"

	creepagev1 "creepage/api/creepage/v1"
)

type pageToLookAt struct{ name, path string }

// pagesToLookAt are all pages that stand at an address of their own, by the name of their picture.
var pagesToLookAt = []pageToLookAt{
	{"first", "/"}, {"first-chosen", "/?state=steady&shop=north-yard"}, {"first-nothing", "/?vehicle=nowhere"},
	{"vehicle", "/vehicles/van-02"}, {"vehicle-tester", "/vehicles/van-06"}, {"vehicle-corrected", "/vehicles/van-06?as=corrected"}, {"vehicle-years", "/vehicles/van-15"},
	{"readings", "/vehicles/van-02/readings"}, {"wrong", "/vehicles/van-02/wrong?visit=van-02-0&id=van-02-0-0"}, {"visit-start", "/visit"}, {"visit", "/visit?vehicle=van-02"},
	{"visit-done", "/visit/done?vehicle=van-02&visit=van-02-10"}, {"shops", "/shops"}, {"fleet", "/fleet"}, {"export", "/export?report=outlooks&state=due"}, {"export-readings", "/export"}, {"ahead", "/ahead"}, {"import", "/import"}, {"keys", "/keys"}, {"organisation", "/organisation"}, {"policy", "/policy"}, {"webhooks", "/webhooks"}, {"help", "/help"},
	{"missing", "/vehicles/none"}, {"nowhere", "/nowhere"},
}

// widths are a phone's, a small desk's and a wide screen's.
var widths = []int64{360, 1024, 1600}

// pagesOfTheirOwn are those that stand at an id which is made here: an address
// of a webhook with what was sent to it, a file at each stage of its way in, and
// a timetable with a file that it has made.
func pagesOfTheirOwn(t *testing.T) []pageToLookAt {
	t.Helper()
	to := newReceiver(t)
	to.answer(http.StatusTeapot)
	var made creepagev1.CreateWebhookEndpointResponse
	if err := here.api.Call(t.Context(), "POST", "/v1/webhookEndpoints", &creepagev1.WebhookEndpoint{Title: "shop system", Url: to.URL}, &made); err != nil {
		t.Fatal(err)
	}
	endpoint := made.GetEndpoint().GetName()
	if err := here.api.Call(t.Context(), "POST", "/v1/"+endpoint+":test", nil, nil); err != nil {
		t.Fatal(err)
	}
	p := newPlain(t, here.adminKey)
	unsettled, _, _ := p.bring("yard.csv", []byte("Nr;Fahrzeug;Messdatum;Bauteil;Riso U [MΩ];Riso V [MΩ]\n17;Van 40;02.03.2025 10:15;Fahrmotor;412,5;>550\n"))
	file := oldHeader + oldRow("look-1", "north-yard", "van-40", "2024-06-02T09:15:00Z", ">550M") + oldRow("look-2", "nowhere", "van-40", "2024-06-02T09:15:00Z", "1")
	checked, _, _ := p.bring("checked.csv", []byte(file))
	p.worked(checked)
	entered, _, _ := p.bring("entered.csv", []byte(file))
	p.post(entered+"/enter", form(p.worked(entered)))
	p.worked(entered)
	for end := time.Now().Add(15 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if _, page := p.get("/" + strings.Replace(endpoint, "webhookEndpoints", "webhooks", 1)); strings.Contains(page, "418") {
			break
		} else if time.Now().After(end) {
			t.Fatalf("the test of a webhook does not go out: %s", page)
		}
	}
	_, ahead := p.get("/ahead")
	_, ahead = p.post("/ahead", aheadFields(ahead))
	timetable := regexp.MustCompile(`action="(/ahead/[0-9a-f-]+)/make"`).FindStringSubmatch(ahead)
	if timetable == nil {
		t.Fatalf("no timetable was made: %s", ahead)
	}
	t.Cleanup(func() { p.post(timetable[1]+"/remove", form(ahead)) })
	p.post(timetable[1]+"/make", form(ahead))
	p.made(timetable[1])
	return []pageToLookAt{{"timetable", timetable[1]}, {"webhook", strings.Replace("/"+endpoint, "webhookEndpoints", "webhooks", 1)}, {"import-columns", unsettled}, {"import-checked", checked}, {"import-entered", entered}}
}

func TestEveryPageFitsEveryWidthWritesDaysInOneFormAndHasNoSeriousAccessibilityFaultInLightAndDark(t *testing.T) {
	b := browse(t)
	check := accessibility(t, b)
	look := func(name, path string, width int64) {
		t.Helper()
		b.open(path)
		b.until(`!document.querySelector("[aria-busy]")`) // charts are drawn to measure
		for _, scheme := range []string{"light", "dark"} {
			if scheme == "dark" && width == 1024 {
				continue
			}
			b.scheme(scheme)
			b.shot(fmt.Sprintf("%s-%d-%s", name, width, scheme))
			switch where := fmt.Sprintf("%s %s %d", path, scheme, width); {
			case scheme == "dark":
				check(where, "color-contrast") // all that a scheme changes
			case width != 1600:
				check(where)
			}
		}
		if odd := eval[string](b, `(document.querySelector("main").innerText.match(/\b\d{4}-\d{2}-\d{2}\b|\b[A-Z][a-z]{2,8} \d{1,2}, \d{4}|\b\d{1,2}[\/.]\d{1,2}[\/.]\d{2,4}\b/) || [""])[0]`); odd != "" {
			t.Errorf("%s writes a day as %q, everywhere else it is 27 Nov 2026", path, odd)
		}
		if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			t.Errorf("%s is %d px too wide at %d", path, over, width)
		}
	}
	own := pagesOfTheirOwn(t)
	for _, width := range widths {
		b.size(width, 900)
		look("signin", "/signin", width)
	}
	b.signIn(here.adminKey)
	for _, width := range widths {
		b.size(width, 900)
		for _, p := range slices.Concat(pagesToLookAt, own) {
			look(p.name, p.path, width)
		}
	}
	b.quiet("404 (Not Found)")
}

func TestAChartIsDrawnToMeasureOnAPhoneAndPrintsInThePagesProportions(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.size(360, 740)
	b.open("/vehicles/van-02")
	b.until(`document.querySelector(".charts.fitted") && !document.querySelector(".charts[aria-busy]")`)
	if over := eval[int](b, `document.querySelector(".plot").scrollWidth - document.querySelector(".plot").clientWidth`); over > 0 {
		t.Errorf("the chart is %d px wider than the phone", over)
	}
	b.shot("vehicle-fitted-360")
	if marks := b.marks(".plot .mark"); marks != monitorDays {
		t.Errorf("%d marks after drawing to measure, want %d", marks, monitorDays)
	}
	run(b, call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}))
	if shown := eval[[]int](b, `[".paper", ".plot", ".top nav", ".warning form"].map(s => document.querySelector(s).getClientRects().length ? 1 : 0)`); !slices.Equal(shown, []int{1, 0, 0, 0}) {
		t.Errorf("in print the paper's chart, the screen's, the navigation, the forms are shown: %v, want 1 0 0 0", shown)
	}
	pdf := run(b, call(page.PrintToPDF, page.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69}))
	if err := os.WriteFile("../../.cache/board/vehicle.pdf", pdf.Data, 0o644); err != nil {
		t.Fatal(err)
	}
	info, err := exec.Command("pdfinfo", "../../.cache/board/vehicle.pdf").Output()
	if err != nil {
		t.Fatal(err)
	}
	if !regexp.MustCompile(`(?m)^Pages: +1$`).Match(info) {
		t.Errorf("a vehicle is printed on more than one page:\n%s", info)
	}
}

func TestAPhoneThatWasHereBeforeGetsTheChartToMeasureAtOnce(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.size(360, 740)
	for again := range 2 {
		b.mu.Lock()
		b.requests = nil
		b.mu.Unlock()
		b.open("/vehicles/van-02")
		b.until(`document.querySelector(".charts.fitted") && !document.querySelector(".charts[aria-busy]")`)
		if over := eval[int](b, `document.querySelector(".plot").scrollWidth - document.querySelector(".plot").clientWidth`); over > 0 {
			t.Errorf("the chart is %d px wider than the phone", over)
		}
		b.mu.Lock()
		asked := slices.ContainsFunc(b.requests, func(r string) bool { return strings.Contains(r, "/chart?") })
		b.mu.Unlock()
		if asked != (again == 0) {
			t.Errorf("on visit %d the chart is asked for a second time: %v", again+1, asked)
		}
	}
	b.quiet()
}
