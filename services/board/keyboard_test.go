package board_test

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	creepagev1 "creepage/api/creepage/v1"
)

func (b *browser) press(keys string) {
	b.t.Helper()
	b.do(chromedp.KeyEvent(keys))
}

// numbered gives every control that a person can reach its place in the page, and
// counts them: what the HTML standard lets be focused and the page shows. Of radio
// buttons of one name the group is one stop, at the chosen one.
const numbered = `(() => {
	let n = 0;
	const groups = new Set();
	for (const e of document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")) {
		if (e.disabled || e.type === "hidden" || !e.checkVisibility({ visibilityProperty: true, contentVisibilityAuto: true }) || !e.getClientRects().length) continue;
		if (e.type === "radio") {
			const all = [...e.form.querySelectorAll("input[type=radio][name='" + e.name + "']")];
			if ((all.find(r => r.checked) ?? all[0]) !== e) continue;
		}
		e.dataset.stop = n++;
	}
	return n;
})()`

// The tab key alone goes through every control of a page in the order of the page,
// each is seen to have the focus, and none holds it.
func TestTheTabKeyReachesEveryControlInTheOrderOfThePage(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.size(1024, 900)
	paths := []string{"/", "/vehicles/van-02", "/visit", "/shops", "/fleet", "/export", "/ahead", "/import", "/organisation", "/keys", "/policy", "/webhooks", "/help"}
	for _, p := range pagesOfTheirOwn(t) {
		paths = append(paths, p.path)
	}
	for _, path := range paths {
		b.open(path)
		all := eval[int](b, numbered)
		if all < 5 {
			t.Fatalf("%s has %d controls: the test shows nothing", path, all)
		}
		next, unseen := 0, []string{}
		for presses := 0; next < all && presses < 4*all+40; presses++ {
			b.press(kb.Tab)
			at := eval[struct {
				Stop  int
				Ring  bool
				Which string
			}](b, `(() => {
				const e = document.activeElement, s = getComputedStyle(e);
				return { Stop: Number(e.dataset.stop ?? -1), Ring: s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2, Which: e.outerHTML.slice(0, 120) };
			})()`)
			if at.Stop == next-1 || at.Stop < 0 { // a field of days has stops of its own; a part that scrolls may be one
				continue
			}
			if at.Stop != next {
				t.Errorf("%s: after control %d comes %d: %s", path, next-1, at.Stop, at.Which)
			}
			if !at.Ring {
				unseen = append(unseen, at.Which)
			}
			next = at.Stop + 1
		}
		if next != all {
			t.Errorf("%s: the tab key reaches %d controls of %d", path, next, all)
		}
		if len(unseen) > 0 {
			t.Errorf("%s: the focus is not seen on %v", path, unseen)
		}
	}
	b.quiet()
}

func TestEnterSendsEveryFormOfTheNewerPages(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	says := func(text string) {
		t.Helper()
		b.until(fmt.Sprintf(`document.readyState === "complete" && document.querySelector("main").textContent.includes(%q)`, text))
	}
	enter := func(field, text string) {
		t.Helper()
		b.do(chromedp.Focus(chromedp.CSS(field), chromedp.NodeVisible))
		b.press(text + kb.Enter)
	}
	b.open("/keys")
	enter("#k-title", "by keyboard")
	says("No key was made.") // a shop's key needs its shop
	if at := eval[string](b, `document.querySelector("[aria-invalid]").id`); at != "k-shop" {
		t.Errorf("marked as wrong is %q", at)
	}
	b.do(chromedp.Focus(chromedp.CSS("#k-role")))
	b.press("an") // a choice is made by its first letters
	enter("#k-title", "")
	says("it is shown this once")
	if made := eval[bool](b, `[...document.querySelectorAll("tbody tr")].some(r => r.textContent.includes("by keyboard") && r.textContent.includes("analyst"))`); !made {
		t.Error("no analyst's key is listed")
	}
	b.open("/organisation")
	b.do(chromedp.Focus(chromedp.CSS("#o-title")))
	b.press("Typed yard" + kb.Tab + "typed-yard" + kb.Enter)
	says("The shop is made.")
	b.open("/policy")
	enter("#p-lead", "")
	says("It is saved.")
	b.open("/webhooks")
	enter("#w-url", "https://hooks.example/creepage")
	says("it is shown this once")
	b.open("/ahead")
	enter("#a-title", "typed")
	says("The timetable stands.")
	b.do(chromedp.Focus(chromedp.CSS("form[action$='/make'] button")))
	b.press(kb.Enter)
	says("The file is on its way")
	b.do(chromedp.Focus(chromedp.CSS("details.apart summary")))
	b.press(kb.Enter)
	b.do(chromedp.Focus(chromedp.CSS("form[action$='/remove'] button"), chromedp.NodeVisible))
	b.press(kb.Enter)
	says("The timetable is removed.")
	b.open("/import")
	path := filepath.Join(t.TempDir(), "typed.csv")
	if err := os.WriteFile(path, []byte(oldHeader+oldRow("key-1", "north-yard", "old-key", "2024-06-02T09:15:00Z", "500M")), 0o644); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#i-file"), []string{path}), chromedp.Focus(chromedp.CSS("form[action='/import'] button.main")))
	b.press(kb.Enter)
	says("1 would be entered")
	b.do(chromedp.Focus(chromedp.CSS("form[action$='/enter'] button")))
	b.press(kb.Enter)
	says("Of 1 reading 1 was entered")
	b.open("/export?report=outlooks")
	enter("#e-vehicle", "van-02")
	asked := func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return slices.ContainsFunc(b.requests, func(r string) bool {
			return strings.Contains(r, "/export/download?") && strings.Contains(r, "vehicle=van-02")
		})
	}
	// The page stays where it is: only the request tells.
	for end := time.Now().Add(10 * time.Second); !asked() && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if !asked() {
		t.Error("Enter does not begin the download")
	}
	// What was made here goes again.
	for _, e := range get[creepagev1.ListWebhookEndpointsResponse](t, "/v1/webhookEndpoints?pageSize=1000").GetWebhookEndpoints() {
		if strings.Contains(e.GetUrl(), "hooks.example") {
			if err := here.api.Call(context.WithoutCancel(t.Context()), http.MethodDelete, "/v1/"+e.GetName(), nil, nil); err != nil {
				t.Error(err)
			}
		}
	}
	b.quiet("400 (Bad Request)")
}
