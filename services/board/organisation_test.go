package board_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	creepagev1 "creepage/api/creepage/v1"
)

// receiver is a system of somebody's that takes webhooks, or does not.
type receiver struct {
	*httptest.Server
	mu    sync.Mutex
	types []string
	code  int
}

func newReceiver(t *testing.T) *receiver {
	t.Helper()
	r := &receiver{code: http.StatusNoContent}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		var m struct{ Type string }
		_ = json.NewDecoder(req.Body).Decode(&m)
		r.mu.Lock()
		defer r.mu.Unlock()
		if req.Header.Get("webhook-signature") != "" {
			r.types = append(r.types, m.Type)
		}
		w.WriteHeader(r.code)
	}))
	t.Cleanup(r.Close)
	return r
}

// got lists the kinds of the messages taken so far.
func (r *receiver) got() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.types)
}

func (r *receiver) answer(code int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.code = code
}

func TestAWebhookIsAddedTestedSwitchedRotatedAndRemovedInTheBrowser(t *testing.T) {
	to := newReceiver(t)
	b := browse(t)
	b.signIn(here.adminKey)
	says := func(text string) {
		t.Helper()
		b.until(fmt.Sprintf(`document.readyState === "complete" && document.querySelector("main").textContent.includes(%q)`, text))
	}
	b.open("/webhooks")
	b.enter("#w-title", "shop system")
	b.enter("#w-url", to.URL)
	b.enter("#w-filter", "colour = RED")
	b.follow(chromedp.Click(chromedp.CSS("form[action='/webhooks'] button.main")))
	says("Nothing was added.")
	if typed := eval[string](b, `document.querySelector("#w-url").value`); typed != to.URL {
		t.Errorf("after a mistake the form says %q", typed)
	}
	b.do(chromedp.SetValue(chromedp.CSS("#w-filter"), "component = MOTOR"))
	b.follow(chromedp.Click(chromedp.CSS("form[action='/webhooks'] button.main")))
	says("shown this once")
	secret := eval[string](b, `document.querySelector("code.secret").textContent`)
	if !strings.HasPrefix(secret, "whsec_") {
		t.Errorf("the secret is %q", secret)
	}
	b.follow(chromedp.Click(chromedp.CSS("section.warning a")))
	says("No warning was delivered yet")
	if eval[bool](b, `document.body.textContent.includes("whsec_")`) {
		t.Error("the secret is shown twice")
	}
	press := func(action string) {
		t.Helper()
		b.follow(chromedp.Click(chromedp.CSS("form[action$='/" + action + "'] button")))
	}
	press("test")
	says("A test message is on its way")
	b.until(`[...document.querySelectorAll("main tbody tr")].some(r => r.textContent.includes("endpoint.test") && r.textContent.includes("delivered"))`)
	to.mu.Lock()
	if len(to.types) != 1 || to.types[0] != "endpoint.test" {
		t.Errorf("the receiver got %v", to.types)
	}
	to.mu.Unlock()
	to.answer(http.StatusTeapot)
	press("test")
	b.until(`[...document.querySelectorAll("main tbody tr")].some(r => r.textContent.includes("418"))`)
	for _, width := range widths {
		b.size(width, 900)
		b.shot(fmt.Sprintf("webhook-%d", width))
		if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			t.Errorf("the page of an address is %d px too wide at %d", over, width)
		}
	}
	to.answer(http.StatusNoContent)
	press("replay")
	b.until(`/is on its way again|has missed nothing/.test(document.querySelector("[role=status]").textContent)`)
	press("rotate")
	says("The new signing secret")
	if made := eval[string](b, `document.querySelector("code.secret").textContent`); !strings.HasPrefix(made, "whsec_") || made == secret {
		t.Errorf("the new secret is %q", made)
	}
	press("switch")
	says("It is switched off")
	press("replay")
	says("enable it first")
	press("switch")
	says("It is switched on")
	b.do(chromedp.SetValue(chromedp.CSS("#w-title"), "workshop system"))
	press("change")
	says("The address is changed")
	if h := run(b, chromedp.Text(chromedp.CSS("h1"))); h != "workshop system" {
		t.Errorf("changed, it is called %q", h)
	}
	b.click("details.apart summary")
	press("delete")
	says("The address is removed")
	if eval[bool](b, `document.querySelector("main").textContent.includes("workshop system")`) {
		t.Error("a removed address is listed")
	}
	b.quiet("400 (Bad Request)")
}

func TestTheWarningPolicyIsChosenInWordsAndItsHistoryStands(t *testing.T) {
	p := newPlain(t, here.adminKey)
	_, page := p.get("/policy")
	for _, want := range []string{"90 days", "usual", "few", "many", "Who changed it"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	f := form(page)
	for _, bad := range []string{"13", "366", "", "soon", "99999999999999999999"} {
		f.Set("lead", bad)
		f.Set("false_calls", "few")
		if code, page := p.post("/policy", f); code != http.StatusBadRequest || !strings.Contains(page, "Nothing was changed") {
			t.Errorf("%q days are answered %d", bad, code)
		}
	}
	f.Set("lead", "60")
	f.Del("false_calls")
	if code, _ := p.post("/policy", f); code != http.StatusBadRequest {
		t.Errorf("no choice is answered %d", code)
	}
	f.Set("false_calls", "few")
	code, page := p.post("/policy", f)
	if code != http.StatusOK || !strings.Contains(page, "It is saved") || !strings.Contains(page, "60 days ahead, false calls few") {
		t.Errorf("%d %s", code, page)
	}
	if now := get[creepagev1.WarningPolicy](t, "/v1/warningPolicy"); now.GetLeadDays() != 60 || now.GetFalseCalls() != creepagev1.WarningPolicy_FEW {
		t.Errorf("the API says %v", now)
	}
	f.Set("lead", "90")
	f.Set("false_calls", "usual")
	p.post("/policy", f)
	settle(t)
	var made creepagev1.CreateKeyResponse
	if err := here.api.Call(t.Context(), "POST", "/v1/keys", &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Title: "reader", Role: creepagev1.Key_FLEET}}, &made); err != nil {
		t.Fatal(err)
	}
	reader := newPlain(t, made.GetSecret())
	code, page = reader.get("/policy")
	if code != http.StatusOK || strings.Contains(page, `action="/policy"`) || !strings.Contains(page, "administrator’s key") {
		t.Errorf("a reader is shown %d %s", code, page)
	}
	f = form(page)
	f.Set("lead", "60")
	f.Set("false_calls", "many")
	if code, _ := reader.post("/policy", f); code != http.StatusForbidden {
		t.Errorf("a reader's change is answered %d", code)
	}
}

func TestKeysAreMadeWithARoleAndAnEndAndRevokedAndAShopIsMade(t *testing.T) {
	p := newPlain(t, here.adminKey)
	_, page := p.get("/organisation")
	f := form(page)
	f.Set("title", "Mill lane")
	f.Set("shop", "Mill Lane!")
	if code, page := p.post("/organisation/shops", f); code != http.StatusBadRequest || !strings.Contains(page, `value="Mill lane"`) {
		t.Errorf("a shop with an id that is none: %d", code)
	}
	f.Set("shop", "mill-lane")
	if code, page := p.post("/organisation/shops", f); code != http.StatusOK || !strings.Contains(page, "The shop is made") || !strings.Contains(page, "create shop") {
		t.Errorf("%d %s", code, page)
	}
	if code, page := p.post("/organisation/shops", f); code != http.StatusBadRequest || !strings.Contains(page, "Nothing was changed") {
		t.Errorf("the same shop again: %d", code)
	}
	_, page = p.get("/keys")
	f = form(page)
	f.Set("title", "mill tablet")
	f.Set("role", "shop")
	if code, page := p.post("/keys", f); code != http.StatusBadRequest || !strings.Contains(page, `value="mill tablet"`) || !strings.Contains(page, "No key was made") {
		t.Errorf("a shop's key without its shop: %d", code)
	}
	f.Set("shop", "mill-lane")
	f.Set("until", time.Now().UTC().AddDate(0, 1, 0).Format(time.DateOnly))
	code, page := p.post("/keys", f)
	secret := regexp.MustCompile(`<code class="secret">([^<]+)</code>`).FindStringSubmatch(page)
	if code != http.StatusOK || secret == nil || !strings.Contains(page, time.Now().UTC().AddDate(0, 1, 0).Format("2 Jan 2006")) {
		t.Fatalf("%d %s", code, page)
	}
	if code, page := newPlain(t, secret[1]).get("/visit"); code != http.StatusOK || !strings.Contains(page, "Visit") {
		t.Errorf("the new key is answered %d", code)
	}
	revoke := regexp.MustCompile(`(?s)mill tablet.*?action="(/keys/[^"]+/revoke)"`).FindStringSubmatch(page)
	if revoke == nil {
		t.Fatal("the key cannot be revoked")
	}
	if code, page := p.post(revoke[1], form(page)); code != http.StatusOK || !strings.Contains(page, "revoked") {
		t.Errorf("revoking is answered %d", code)
	}
	for end := time.Now().Add(15 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		code, _ := newPlain(t, "").post("/signin", url.Values{"key": {secret[1]}})
		if code == http.StatusUnauthorized {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("a revoked key signs in: %d", code)
		}
	}
}

// While an address is off a warning changes; switched on, it is sent from the page.
func TestWhatAnAddressMissedIsSentAgainFromItsPage(t *testing.T) {
	settle(t)
	to := newReceiver(t)
	p := newPlain(t, here.adminKey)
	_, page := p.get("/webhooks")
	f := form(page)
	f.Set("title", "missing out")
	f.Set("url", to.URL)
	_, page = p.post("/webhooks", f)
	at := regexp.MustCompile(`<a href="(/webhooks/[^"]+)">To the address`).FindStringSubmatch(page)
	if at == nil {
		t.Fatalf("no address was added: %.3000s", page)
	}
	press := func(what, to string) string {
		t.Helper()
		_, page := p.get(at[1])
		f := form(page)
		if to != "" {
			f.Set("to", to)
		}
		code, page := p.post(at[1]+"/"+what, f)
		if code != http.StatusOK {
			t.Fatalf("%s is answered %d: %.3000s", what, code, page[strings.Index(page, "<main"):])
		}
		return page
	}
	if page = press("replay", ""); !strings.Contains(page, "It has missed nothing.") {
		t.Errorf("before anything was missed the page says %.3000s", page)
	}
	press("switch", "off")
	var missed *creepagev1.Warning
	for _, w := range get[creepagev1.ListWarningsResponse](t, "/v1/warnings?pageSize=1000&filter="+url.QueryEscape("standing = true")).GetWarnings() {
		if w.GetAcknowledgeTime() == nil && w.GetVehicle() != "vehicles/van-09" {
			missed = w
		}
	}
	if missed == nil {
		t.Fatal("there is no warning to acknowledge")
	}
	if err := here.api.Call(t.Context(), "POST", "/v1/"+missed.GetName()+":acknowledge", &creepagev1.AcknowledgeWarningRequest{Note: "while the address is off"}, nil); err != nil {
		t.Fatal(err)
	}
	settle(t)
	if got := to.got(); len(got) != 0 {
		t.Fatalf("switched off, it was sent %v", got)
	}
	press("switch", "on")
	if page = press("replay", ""); !strings.Contains(page, "What it missed is on its way again") {
		t.Errorf("the page says %.3000s", page)
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		_, page = p.get(at[1] + "?only=delivered")
		if got := to.got(); len(got) == 1 && got[0] == "warning.changed" && strings.Contains(page, `data-l="Message">warning.changed<`) {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("it was sent %v; the page says %.5000s", to.got(), page)
		}
	}
	p.post(at[1]+"/delete", form(page))
}
