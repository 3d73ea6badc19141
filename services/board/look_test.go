package board_test

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
)

// pagesToLookAt are all pages, by the name of their picture.
var pagesToLookAt = []struct{ name, path string }{
	{"first", "/"}, {"first-chosen", "/?state=steady&shop=north-yard"}, {"first-nothing", "/?vehicle=nowhere"},
	{"vehicle", "/vehicles/van-02"}, {"vehicle-tester", "/vehicles/van-06"}, {"vehicle-corrected", "/vehicles/van-06?as=corrected"}, {"vehicle-years", "/vehicles/van-15"},
	{"readings", "/vehicles/van-02/readings"}, {"wrong", "/vehicles/van-02/wrong?visit=van-02-0&id=van-02-0-0"}, {"visit-start", "/visit"}, {"visit", "/visit?vehicle=van-02"},
	{"visit-done", "/visit/done?vehicle=van-02&visit=van-02-10"}, {"shops", "/shops"}, {"fleet", "/fleet"}, {"export", "/export?report=outlooks&state=due"}, {"export-readings", "/export"}, {"import", "/import"}, {"keys", "/keys"}, {"organisation", "/organisation"}, {"policy", "/policy"}, {"webhooks", "/webhooks"}, {"help", "/help"},
	{"missing", "/vehicles/none"},
}

// widths are a phone's, a small desk's and a wide screen's.
var widths = []int64{360, 1024, 1600}

func TestEveryPageFitsEveryWidthWritesDaysInOneFormAndHasNoSeriousAccessibilityFault(t *testing.T) {
	b := browse(t)
	check := accessibility(t, b)
	for _, width := range widths {
		b.size(width, 900)
		b.open("/signin")
		b.shot(fmt.Sprintf("signin-%d-light", width))
	}
	check("/signin")
	b.signIn(here.adminKey)
	for _, look := range []struct {
		scheme string
		widths []int64
		check  int64 // the width at which accessibility is checked
	}{{"light", widths, 360}, {"dark", []int64{1024}, 1024}} {
		b.scheme(look.scheme)
		for _, width := range look.widths {
			b.size(width, 900)
			for _, p := range pagesToLookAt {
				b.open(p.path)
				b.shot(fmt.Sprintf("%s-%d-%s", p.name, width, look.scheme))
				if odd := eval[string](b, `(document.querySelector("main").innerText.match(/\b\d{4}-\d{2}-\d{2}\b|\b[A-Z][a-z]{2,8} \d{1,2}, \d{4}|\b\d{1,2}[\/.]\d{1,2}[\/.]\d{2,4}\b/) || [""])[0]`); odd != "" {
					t.Errorf("%s writes a day as %q, everywhere else it is 27 Nov 2026", p.path, odd)
				}
				if width == look.check {
					check(fmt.Sprintf("%s %s %d", p.path, look.scheme, width))
				}
				if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
					t.Errorf("%s is %d px too wide at %d", p.path, over, width)
				}
			}
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
