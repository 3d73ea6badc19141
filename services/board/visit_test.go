package board_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
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
