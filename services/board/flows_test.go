package board_test

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

func TestAWrongKeyIsRefusedAndARightOneLeadsToWhereOneWanted(t *testing.T) {
	b := browse(t)
	b.open("/vehicles/van-02")
	if at := run(b, chromedp.Location()); !strings.HasSuffix(at, "/signin?to=%2Fvehicles%2Fvan-02") {
		t.Errorf("an unknown visitor is led to %s", at)
	}
	b.enter("#key", "ck_nobody")
	b.follow(chromedp.Click(chromedp.CSS("form button.main")))
	if text := run(b, chromedp.Text(chromedp.CSS("[role=alert]"))); !strings.Contains(text, "not known") {
		t.Errorf("a wrong key is answered %q", text)
	}
	b.enter("#key", here.adminKey)
	b.follow(chromedp.Click(chromedp.CSS("form button.main")))
	if h := run(b, chromedp.Text(chromedp.CSS("h1"))); h != "van-02" {
		t.Errorf("signed in, one stands before %q", h)
	}
	if c := eval[string](b, `document.cookie`); strings.Contains(c, "session") {
		t.Errorf("a script can read the session's cookie: %q", c)
	}
	b.follow(chromedp.Click(chromedp.CSS(".who button")))
	b.open("/")
	if at := run(b, chromedp.Location()); !strings.Contains(at, "/signin") {
		t.Errorf("signed out, one still reaches %s", at)
	}
	b.quiet("401 (Unauthorized)")
}

func TestTheFirstPageListsVehiclesInTheAPIsOrder(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	shown := func() []string {
		return eval[[]string](b, `[...document.querySelectorAll(".job")].map(j => j.dataset.vehicle)`)
	}
	for _, c := range []struct{ address, filter string }{
		{"/", "state = UNDER OR state = DUE"},
		{"/?state=steady&state=falling", "state = STEADY OR state = FALLING"},
		{"/?component=compressor", "(state = UNDER OR state = DUE) AND limiting_component = COMPRESSOR"},
		{"/?vehicle=van-1", `vehicle = "van-1*"`},
		{"/?shop=quay", `last_shop = "quay"`},
	} {
		b.open(c.address)
		want := outlooks(t, c.filter)
		if c.address != "/?shop=quay" && len(want) == 0 {
			t.Fatalf("%s: the fleet has no such vehicle, the test shows nothing", c.address)
		}
		if got := shown(); !slices.Equal(got, want) && len(got)+len(want) > 0 {
			t.Errorf("%s lists %v, the API %v", c.address, got, want)
		}
	}
	b.quiet()
}

// A vehicle whose last look at a part stands alone is asked for on the first page, though no warning tells of it: the reading was held too
// briefly for one.
func TestWhatIsNotSettledIsOnTheFirstPage(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	odd := here.readingsOf(&story{name: "odd-01"})
	last := proto.CloneOf(odd[2])
	last.ReadingId, last.Relation, last.ResistanceOhms, last.HoldSeconds, last.MeasureTime = "odd-01-last", creepagev1.Reading_EQUAL, 550, proto.Float64(10), timestamppb.New(here.loaded.Add(-time.Hour))
	if err := here.api.Call(t.Context(), "POST", "/v1/readings:submit", &creepagev1.SubmitReadingsRequest{Readings: append(odd, last), Backfill: true}, nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := here.api.Call(context.WithoutCancel(t.Context()), "POST", "/v1/vehicles/odd-01:retire", &creepagev1.RetireVehicleRequest{}, nil); err != nil {
			t.Error(err)
		}
	})
	settle(t)
	b.open("/")
	if text := run(b, chromedp.Text(chromedp.CSS("section.rest"))); !strings.Contains(text, "odd-01: Not settled: the last look at the compressor HV+") {
		t.Errorf("the first page does not tell of it:\n%s", text)
	}
	b.open("/vehicles/odd-01")
	if facts := run(b, chromedp.Text(chromedp.CSS(".verdict"))); !strings.Contains(facts, "Not settled") || strings.Contains(facts, "Chance within") {
		t.Errorf("the chances, which leave that look out, stand beside it:\n%s", facts)
	}
	b.quiet()
}

func TestChoosingByTheFormMakesAnAddressThatCanBeShared(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.click(".choose summary")
	b.enter("#f-vehicle", "van-06")
	b.follow(chromedp.Click(chromedp.CSS(".filters button")))
	at := run(b, chromedp.Location())
	if !strings.Contains(at, "vehicle=van-06") {
		t.Errorf("the address is %s", at)
	}
	b.open(strings.TrimPrefix(at, b.base))
	if got := eval[string](b, `document.querySelector("#f-vehicle").value`); got != "van-06" {
		t.Errorf("opened anew, the form says %q", got)
	}
	b.quiet()
}

func TestAVehiclesChartHasAsManyMarksAsReadings(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	for vehicle, component := range map[string]creepagev1.Reading_Component{"van-02": creepagev1.Reading_SYSTEM, "van-06": creepagev1.Reading_COMPRESSOR} {
		all := readings(t, vehicle)
		want, above := 0, 0
		for _, r := range all {
			if r.GetReading().GetComponent() == component {
				want++
				if r.GetReading().GetRelation() == creepagev1.Reading_ABOVE {
					above++
				}
			}
		}
		b.open("/vehicles/" + vehicle)
		got := b.marks(".plot .mark")
		open := b.marks(".plot .mark.above")
		if got != want || open != above {
			t.Errorf("%s: %d marks, %d of them open; %d readings, %d over range", vehicle, got, open, want, above)
		}
		b.open("/vehicles/" + vehicle + "/readings")
		if rows := eval[int](b, `document.querySelectorAll("main tbody tr").length`); rows != min(len(all), 100) {
			t.Errorf("%s: %d rows on the first page of its readings, %d readings", vehicle, rows, len(all))
		}
	}
	b.quiet()
}

// Two labels that touch cannot be read; the boxes are the browser's own.
func TestNoTwoTextsOfAChartOverlapAtAnyWidth(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	for _, width := range []int64{360, 1024, 1600} {
		b.size(width, 900)
		for _, v := range []string{"van-02", "van-06", "van-07", "van-01"} {
			b.open("/vehicles/" + v)
			clash := eval[[]string](b, `[...document.querySelectorAll("svg.chart")].flatMap(svg => {
				const ts = [...svg.querySelectorAll("text")].filter(t => t.getClientRects().length).map(t => [t.textContent, t.getBoundingClientRect()]);
				const out = [];
				for (let i = 0; i < ts.length; i++) for (let j = 0; j < i; j++) {
					const [a, p] = ts[i], [b, q] = ts[j];
					if (p.left < q.right - 1 && q.left < p.right - 1 && p.top + 3 < q.bottom - 3 && q.top + 3 < p.bottom - 3) out.push(a + " / " + b);
				}
				return out; })`)
			if len(clash) > 0 {
				t.Errorf("%s at %d: %v", v, width, clash)
			}
		}
	}
}

func TestARepairChangesTheOutlookAndStandsOnThePage(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.open("/vehicles/van-06")
	before := eval[string](b, `document.querySelector(".verdict .state b").textContent`)
	b.do(chromedp.SetValue(chromedp.CSS("#r-component"), "compressor"), chromedp.SetValue(chromedp.CSS("#r-kind"), "replaced"))
	b.enter("#r-note", "new compressor")
	b.follow(chromedp.Click(chromedp.CSS("form[action$=repairs] button")))
	if text := run(b, chromedp.Text(chromedp.CSS("[role=status]"))); !strings.Contains(text, "recorded") {
		t.Errorf("the page says %q", text)
	}
	settle(t)
	b.open("/vehicles/van-06")
	after := eval[string](b, `document.querySelector(".verdict .state b").textContent`)
	if before != "under" || after == before {
		t.Errorf("the outlook was %s and is %s", before, after)
	}
	if n := eval[int](b, `document.querySelectorAll(".plot .event.repair").length`); n != 1 {
		t.Errorf("%d marks of repairs", n)
	}
	b.quiet()
}

func TestAWarningIsAcknowledgedWithANoteAndItsOutcomeRecorded(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.open("/vehicles/van-09")
	b.enter("form[action$=acknowledge] input[name=note]", "bay 2 on Thursday")
	b.follow(chromedp.Click(chromedp.CSS("form[action$=acknowledge] button")))
	if text := run(b, chromedp.Text(chromedp.CSS(".warning"))); !strings.Contains(text, "bay 2 on Thursday") {
		t.Errorf("the warning says %q", text)
	}
	b.click(".warning summary")
	b.enter("form[action$=finding] input[name=note]", "coolant in the connector")
	b.follow(chromedp.Click(chromedp.CSS("form[action$=finding] button")))
	if text := run(b, chromedp.Text(chromedp.CSS(".warning"))); !strings.Contains(text, "fault found") || !strings.Contains(text, "coolant in the connector") {
		t.Errorf("the warning says %q", text)
	}
	b.quiet()
}

func TestAVoidedReadingLeavesTheChartAndStaysInTheTable(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	b.open("/vehicles/van-13")
	before := b.marks(".plot .mark")
	component := eval[string](b, `document.querySelector("tbody tr td:nth-child(2)").textContent`)
	b.follow(chromedp.Click(chromedp.CSS("tbody tr td:last-child a")))
	b.enter("input[name=reason]", "leads swapped")
	b.follow(chromedp.Click(chromedp.CSS("form[action$=wrong] button")))
	text := run(b, chromedp.Text(chromedp.CSS("tr.void")))
	if !strings.Contains(text, "leads swapped") {
		t.Errorf("the row says %q", text)
	}
	want := before
	if strings.HasPrefix(component, "compressor") {
		want--
	}
	if after := b.marks(".plot .mark"); after != want {
		t.Errorf("%d marks before, %d after voiding one of %s", before, after, component)
	}
	b.quiet()
}

func TestAVisitOnAPhoneSurvivesALostConnectionAndEntersNothingTwice(t *testing.T) {
	b := browse(t)
	count := func() int { return len(readings(t, "van-01")) }
	before := count()
	b.size(360, 740)
	b.signIn(here.shopKey)
	b.open("/visit?vehicle=van-01")
	if first := eval[string](b, `document.querySelector(".step:not([hidden])").dataset.step`); first != "before" {
		t.Fatalf("the first step is %q, must be the precautions", first)
	}
	if caution := run(b, chromedp.Text(chromedp.CSS(".cautions"))); !strings.Contains(caution, "maker's procedure") {
		t.Errorf("the cautions say %q", caution)
	}
	for _, name := range []string{"locked_out", "zero_volts", "gloves_air", "eyes"} {
		b.click("input[name=" + name + "]")
	}
	small := eval[[]string](b, `[...document.querySelectorAll(".visit .step:not([hidden]) label.tick, .steps button")].filter(e => e.getBoundingClientRect().height < 44).map(e => e.textContent)`)
	if len(small) > 0 {
		t.Errorf("too small for a gloved hand: %v", small)
	}
	b.shot("visit-precautions-360")
	check := accessibility(t, b)
	check("the precautions of a visit")
	b.click("[data-on]")
	b.enter("input[name=temperature]", "18.5")
	b.enter("input[name=range]", "550 MΩ")
	b.click("[data-on]")
	b.enter("#value-0", "420")
	b.click("[data-on]")
	b.until(`document.querySelector("[data-point='0'] [data-said]").textContent.includes("Meets the service limit")`)
	b.shot("visit-answer-360")
	check("the answer to a reading")
	if n := count() - before; n != 1 {
		t.Fatalf("%d readings entered, want 1", n)
	}

	b.offline(true)
	b.click("[data-on]")
	b.enter("#value-1", "12")
	b.click("[data-on]")
	b.until(`document.querySelector("[data-connection]").textContent.includes("1 reading")`)
	b.click("[data-on]")
	b.click("input[name=over_2]")
	b.click("[data-on]")
	b.until(`document.querySelector("[data-connection]").textContent.includes("2 readings")`)
	b.shot("visit-offline-360")
	check("a visit without a connection")
	if n := count() - before; n != 1 {
		t.Fatalf("%d readings entered without a connection", n-1)
	}
	b.offline(false)
	b.until(`document.querySelector("[data-connection]").textContent === ""`)
	if n := count() - before; n != 3 {
		t.Errorf("%d readings entered once the connection was back, want 3", n)
	}
	// The page is loaded anew in the middle: what was entered is still there,
	// and sending it all again enters nothing twice.
	b.open("/visit?vehicle=van-01")
	if v := eval[string](b, `document.querySelector("#value-1").value`); v != "12" {
		t.Errorf("after a reload the second point says %q", v)
	}
	b.follow(chromedp.Func(func(ctx context.Context, to *chromedp.Target) error {
		_, err := chromedp.Evaluate[string](`document.querySelector("form.visit-form").requestSubmit(), ""`)(ctx, to)
		return err
	}))
	if at := run(b, chromedp.Location()); !strings.Contains(at, "/visit/done?") {
		t.Errorf("the visit ends at %s", at)
	}
	if n := count() - before; n != 3 {
		t.Errorf("%d readings after sending again, want 3", n)
	}
	first := readings(t, "van-01")[2].GetReading()
	if first.GetResistanceOhms() != 4.2e8 || first.GetTemperatureCelsius() != 18.5 || !first.GetPrecautions().GetZeroVoltsProven() || first.GetShop() != "shops/north-yard" {
		t.Errorf("the first reading arrived as %v", first)
	}
	b.quiet("ERR_INTERNET_DISCONNECTED")
}

func TestAVisitThatContradictsItselfIsAskedBackBeforeItIsEntered(t *testing.T) {
	b := browse(t)
	count := func() int { return len(readings(t, "van-05")) }
	b.signIn(here.shopKey)
	b.open("/visit?vehicle=van-05")
	eval[string](b, `document.querySelector("#value-2").value = "400", document.querySelector("#value-3").value = "4", ""`)
	before := count()
	for range 4 { // precautions, circumstances, the two points before the motor's
		b.click("[data-on]")
	}
	b.click("[data-on]")
	b.until(`document.querySelector("[data-point='2'] [data-said]").textContent.includes("look at the same insulation")`)
	if count() != before {
		t.Error("it was entered before it was asked")
	}
	b.do(chromedp.Click(chromedp.CSS("[data-point='2'] [data-said] button:last-child")))
	b.until(`document.querySelector("[data-point='2'] [data-said]").textContent.includes("service limit")`)
	if count() != before+1 {
		t.Errorf("%d readings entered, want 1", count()-before)
	}
	b.quiet()
}

// accessibility gives a check of the page that stands in a browser by axe-core, an
// accessibility checker of others.
// Without rules it is held against all of them.
func accessibility(t *testing.T, b *browser) func(where string, rules ...string) {
	t.Helper()
	file := filepath.Join("..", "..", ".cache", "axe", "axe.min.js")
	if _, err := os.Stat(file); err != nil {
		if out, err := exec.Command("./fetch-axe.sh").CombinedOutput(); err != nil {
			t.Fatalf("fetch-axe.sh: %v\n%s", err, out)
		}
	}
	axe, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return func(where string, rules ...string) {
		t.Helper()
		if !eval[bool](b, `"axe" in window`) {
			eval[string](b, string(axe)+`; ""`)
		}
		only := ""
		if len(rules) > 0 {
			only = `, runOnly: ["` + strings.Join(rules, `", "`) + `"]`
		}
		found := eval[string](b, `axe.run({resultTypes: ["violations"]`+only+`}).then(r => JSON.stringify(r.violations.filter(v => v.impact === "serious" || v.impact === "critical").map(v => v.id + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 150) + " " + (n.any[0]?.message || "")).join(" | "))))`)
		var faults []string
		if err := json.Unmarshal([]byte(found), &faults); err != nil {
			t.Fatal(err)
		}
		for _, f := range faults {
			t.Errorf("%s: %s", where, f)
		}
	}
}
