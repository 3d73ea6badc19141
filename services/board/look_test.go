package board_test

import (
	"fmt"
	"os"
	"slices"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
)

// pagesToLookAt are all pages, by the name of their picture.
var pagesToLookAt = []struct{ name, path string }{
	{"first", "/"}, {"vehicle", "/vehicles/van-02"}, {"vehicle-tester", "/vehicles/van-06"}, {"visit", "/visit?vehicle=van-02"}, {"visit-start", "/visit"},
	{"shops", "/shops"}, {"fleet", "/fleet"}, {"export", "/export?report=outlooks&state=due"}, {"export-readings", "/export"}, {"readings", "/vehicles/van-02/readings"}, {"keys", "/keys"}, {"webhooks", "/webhooks"}, {"help", "/help"}, {"missing", "/vehicles/none"},
}

func TestPagesFitEveryWidthInBothSchemes(t *testing.T) {
	b := browse(t)
	b.open("/signin")
	b.shot("signin")
	b.signIn(here.adminKey)
	for _, scheme := range []string{"light", "dark"} {
		b.scheme(scheme)
		for _, width := range []int64{360, 1024, 1600} {
			b.size(width, 900)
			for _, p := range pagesToLookAt {
				b.open(p.path)
				b.shot(fmt.Sprintf("%s-%d-%s", p.name, width, scheme))
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
	if marks := eval[int](b, `document.querySelectorAll(".plot .mark").length`); marks != monitorDays {
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
}
