package board_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

func TestAValueChangedAfterItWasEnteredTakesTheFirstOnesPlaceWithAReason(t *testing.T) {
	before := len(readings(t, "van-14"))
	b := browse(t)
	b.size(360, 740)
	b.signIn(here.shopKey)
	b.open("/visit?vehicle=van-14")
	b.click("[data-on]")
	b.click("[data-on]")
	b.enter("#value-0", "420")
	b.click("[data-on]")
	b.until(`document.querySelector("[data-point='0'] [data-said]").textContent.includes("Meets the service limit")`)
	eval[string](b, `const f = document.querySelector("#value-0"); f.value = "42"; f.dispatchEvent(new Event("input", { bubbles: true })); ""`)
	b.click("[data-on]")
	b.until(`document.querySelector("[data-point='0'] [data-reason]") !== null`)
	b.enter("[data-point='0'] [data-reason]", "typed a nought too many")
	b.click("[data-point='0'] [data-said] button")
	b.until(`document.querySelector("[data-point='0'] [data-said]").textContent.includes("service limit")`)
	now := readings(t, "van-14")
	if len(now) != before+2 {
		t.Fatalf("%d readings entered, want the first and the corrected one", len(now)-before)
	}
	for _, r := range now[:2] {
		m := r.GetReading()
		switch m.GetResistanceOhms() {
		case 4.2e8:
			if m.GetVoidReason() != "typed a nought too many" {
				t.Errorf("the first value is void for %q", m.GetVoidReason())
			}
		case 4.2e7:
			if m.VoidReason != nil {
				t.Errorf("the corrected value is void: %s", m.GetVoidReason())
			}
		default:
			t.Errorf("entered %v", m)
		}
	}
	b.quiet()
}

// A gloved hand reads and answers a point without scrolling: the cautions stay
// in view on one line, and unfold.
func TestThePointIsOnTheFirstScreenOfAPhoneAndTheCautionsStayInView(t *testing.T) {
	b := browse(t)
	b.size(360, 740)
	b.signIn(here.shopKey)
	b.open("/visit?vehicle=van-08")
	full := `getComputedStyle(document.querySelector(".cautions .full")).display`
	if d := eval[string](b, full); d == "none" {
		t.Error("the cautions are folded at the precautions")
	}
	b.click("[data-on]")
	b.click("[data-on]")
	box := func(css string) []float64 {
		return eval[[]float64](b, `(r => [r.top, r.bottom])(document.querySelector("`+css+`").getBoundingClientRect())`)
	}
	caution, value, over, bar := box(".cautions"), box("#value-0"), box("input[name=over_0]"), box("[data-steps]")
	if h := caution[1] - caution[0]; caution[0] < -1 || h > 60 {
		t.Errorf("at a point the cautions stand at %v and are %v px high", caution[0], h)
	}
	if value[0] < caution[1] || over[1] > bar[0] {
		t.Errorf("value at %v, over range at %v, between the cautions' end at %v and the bar at %v they must be", value, over, caution[1], bar[0])
	}
	b.shot("visit-point-360")
	b.click("[data-unfold]")
	if text := run(b, chromedp.Text(chromedp.CSS(".cautions"))); !strings.Contains(text, "maker's procedure") {
		t.Errorf("unfolded, the cautions say %q", text)
	}
	b.click("[data-on]")
	if d := eval[string](b, full); d != "none" {
		t.Error("the cautions are not folded at the next point")
	}
	run(b, call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}))
	if d := eval[string](b, full); d == "none" {
		t.Error("the cautions are folded in print")
	}
	b.quiet()
}

// Chromium trusts its own machine without https, so the site is reached by
// another name here (see startChromium).
func TestOnPlainHTTPTheVisitSaysWhatIsLost(t *testing.T) {
	b := browse(t)
	b.signIn(here.shopKey)
	lost := `!document.querySelector("[data-plain]").hidden && document.querySelector("[data-plain]").textContent.includes("Keep it open")`
	b.open("/visit?vehicle=van-08")
	if eval[bool](b, lost) {
		t.Error("the visit's page speaks of plain http where a worker keeps it")
	}
	b.base = strings.Replace(b.base, "127.0.0.1", plainHost, 1)
	b.signIn(here.shopKey)
	b.open("/visit?vehicle=van-08")
	if !eval[bool](b, lost) {
		t.Error("on plain http the visit's page does not say what is lost")
	}
	b.base = here.url
	b.mu.Lock()
	b.requests = nil // of both names
	b.mu.Unlock()
	b.quiet()
}

func TestWhatContradictsItselfWithoutAConnectionIsAskedBackOnceItIsBack(t *testing.T) {
	b := browse(t)
	count := func() int { return len(readings(t, "van-10")) }
	before := count()
	b.size(360, 740)
	b.signIn(here.shopKey)
	b.open("/visit?vehicle=van-10")
	for range 4 { // precautions, circumstances, the two points of the battery
		b.click("[data-on]")
	}
	b.offline(true)
	b.enter("#value-2", "400")
	b.click("[data-on]")
	b.until(`document.querySelector("[data-connection]").textContent.includes("1 reading")`)
	b.click("[data-on]")
	b.enter("#value-3", "4")
	b.click("[data-on]")
	b.until(`document.querySelector("[data-connection]").textContent.includes("2 readings")`)
	b.offline(false)
	b.until(`document.querySelector("[data-point='3'] [data-said]").textContent.includes("look at the same insulation")`)
	if n := count() - before; n != 1 {
		t.Errorf("%d readings entered before the question was answered, want the first alone", n)
	}
	b.do(chromedp.Click(chromedp.CSS("[data-point='3'] [data-said] button:last-child")))
	b.until(`document.querySelector("[data-point='3'] [data-said]").textContent.includes("service limit")`)
	if n := count() - before; n != 2 {
		t.Errorf("%d readings entered, want 2", n)
	}
	b.quiet("ERR_INTERNET_DISCONNECTED")
}

func TestTheEndOfAVisitSaysWhereTheLeakIsWhenAnIsolationFaultIsOpen(t *testing.T) {
	p := newPlain(t, here.shopKey)
	_, page := p.get("/visit?vehicle=van-03")
	f := form(page)
	f.Set("range", "550 MΩ")
	f.Set("code", "p0aa6")
	f.Set("value_0", "0,09") // battery HV+
	f.Set("over_1", "on")
	f.Set("over_2", "on") // motor
	f.Set("over_5", "on") // compressor
	f.Set("confirm", "1")
	code, page := p.post("/visit", f)
	if code != http.StatusOK || !strings.Contains(page, "Visit of van-03") {
		t.Fatalf("%d %s", code, page)
	}
	settle(t)
	_, page = p.get("/visit/done?" + url.Values{"vehicle": {"van-03"}, "visit": {f.Get("visit")}, "code": {"P0AA6"}}.Encode())
	at := strings.Index(page, "An isolation fault is open")
	if at < 0 {
		t.Fatalf("the end of the visit does not say that a fault is open: %s", page)
	}
	rows := page[at:]
	battery, motor := strings.Index(rows, "<td>battery</td>"), strings.Index(rows, "<td>motor</td>")
	if battery < 0 || motor < battery {
		t.Errorf("the battery at 90 kΩ is not the first suspect: %s", rows[:min(len(rows), 1500)])
	}
	// Without a code and with nothing known to be wrong nobody is sent to search.
	_, page = p.get("/visit/done?" + url.Values{"vehicle": {"van-03"}, "visit": {f.Get("visit")}}.Encode())
	if strings.Contains(page, "An isolation fault is open") {
		t.Error("a visit without a fault is told where it is")
	}
}
