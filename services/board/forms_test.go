package board_test

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"

	creepagev1 "creepage/api/creepage/v1"
)

// plain is a browser without JavaScript.
type plain struct {
	t      *testing.T
	base   string
	client *http.Client
}

func newPlain(t *testing.T, key string) *plain {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	p := &plain{t: t, base: here.url, client: &http.Client{Jar: jar}}
	if key != "" {
		p.post("/signin", url.Values{"key": {key}})
	}
	return p
}

func (p *plain) get(path string) (int, string) {
	p.t.Helper()
	res, err := p.client.Get(p.base + path)
	return p.read(res, err)
}

func (p *plain) post(path string, form url.Values) (int, string) {
	p.t.Helper()
	res, err := p.client.PostForm(p.base+path, form)
	return p.read(res, err)
}

func (p *plain) read(res *http.Response, err error) (int, string) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return res.StatusCode, string(body)
}

var hidden = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)">`)

// form returns the hidden fields of a page.
func form(page string) url.Values {
	v := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		v.Set(m[1], m[2])
	}
	return v
}

func TestAWholeVisitIsEnteredWithoutJavaScriptAndSentTwiceEntersOnce(t *testing.T) {
	p := newPlain(t, here.shopKey)
	_, page := p.get("/visit?vehicle=van-08")
	f := form(page)
	f.Set("range", "550 MΩ")
	f.Set("zero_volts", "on")
	f.Set("value_0", "420")
	f.Set("unit_0", "mohm")
	f.Set("over_1", "on")
	f.Set("value_2", "0,5 GΩ")
	before := len(readings(t, "van-08"))
	for range 2 {
		if code, body := p.post("/visit", f); code != http.StatusOK || !strings.Contains(body, "Visit of van-08") {
			t.Fatalf("%d %s", code, body)
		}
	}
	got := readings(t, "van-08")
	got = got[:len(got)-before]
	if len(got) != 3 {
		t.Fatalf("%d readings entered, want 3", len(got))
	}
	byConductor := map[string]*creepagev1.Reading{}
	for _, r := range got {
		byConductor[r.GetReading().GetComponent().String()+" "+r.GetReading().GetConductor().String()] = r.GetReading()
	}
	for point, want := range map[string]struct {
		relation creepagev1.Reading_Relation
		ohms     float64
	}{"BATTERY HV_PLUS": {creepagev1.Reading_EQUAL, 4.2e8}, "BATTERY HV_MINUS": {creepagev1.Reading_ABOVE, 5.5e8}, "MOTOR PHASE_U": {creepagev1.Reading_EQUAL, 5e8}} {
		r := byConductor[point]
		if r.GetRelation() != want.relation || r.GetResistanceOhms() != want.ohms {
			t.Errorf("%s entered as %v", point, r)
		}
		if c := r.GetPrecautions(); c == nil || !c.GetZeroVoltsProven() || c.LockedOut != nil || c.EyeProtection != nil {
			t.Errorf("precautions %v: want zero volts proven, and what was not ticked unknown", c)
		}
	}
}

func TestAValueThatCannotBeReadIsShownBesideItsPointAndNothingIsLost(t *testing.T) {
	p := newPlain(t, here.shopKey)
	_, page := p.get("/visit?vehicle=van-11")
	f := form(page)
	f.Set("value_0", "many")
	f.Set("value_1", "77")
	before := len(readings(t, "van-11"))
	code, body := p.post("/visit", f)
	if code != http.StatusBadRequest || !strings.Contains(body, `id="problem-0"`) || !strings.Contains(body, `value="77"`) || !strings.Contains(body, `value="many"`) {
		t.Errorf("%d %s", code, body)
	}
	if len(readings(t, "van-11")) != before {
		t.Error("something was entered")
	}
}

func TestAPostWithoutTheFormsTokenChangesNothing(t *testing.T) {
	p := newPlain(t, here.adminKey)
	code, _ := p.post("/vehicles/van-12/repairs", url.Values{"component": {"compressor"}, "kind": {"replaced"}, "occur_time": {"2026-06-01T10:00"}})
	repairs := get[creepagev1.ListRepairsResponse](t, "/v1/vehicles/van-12/repairs").GetRepairs()
	if code != http.StatusForbidden || len(repairs) != 0 {
		t.Errorf("answered %d, %d repairs", code, len(repairs))
	}
}

func TestAPostFromAnotherSiteIsRefused(t *testing.T) {
	p := newPlain(t, "")
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, p.base+"/signin", strings.NewReader("key="+here.adminKey))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Sec-Fetch-Site", "cross-site")
	code, _ := p.read(p.client.Do(req))
	if code != http.StatusForbidden {
		t.Errorf("answered %d", code)
	}
}

func TestPagesForbidInlineScriptAndOtherHosts(t *testing.T) {
	p := newPlain(t, here.adminKey)
	for _, path := range []string{"/", "/vehicles/van-02", "/visit?vehicle=van-02", "/help", "/nowhere"} {
		res, err := p.client.Get(p.base + path)
		if err != nil {
			t.Fatal(err)
		}
		policy := res.Header.Get("Content-Security-Policy")
		_, body := p.read(res, nil)
		if !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "http") {
			t.Errorf("%s: policy %q", path, policy)
		}
		for _, bad := range []string{"<script>", " style=\"", " onclick=", "javascript:"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s holds %q", path, bad)
			}
		}
	}
}

func TestSigningOutEndsEveryCopyOfTheCookie(t *testing.T) {
	p := newPlain(t, here.adminKey)
	at, err := url.Parse(p.base)
	if err != nil {
		t.Fatal(err)
	}
	copied := p.client.Jar.Cookies(at)
	asks := func() int {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, p.base+"/shops", nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range copied {
			req.AddCookie(c)
		}
		res, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		return res.StatusCode
	}
	if code := asks(); code != http.StatusOK {
		t.Fatalf("the cookie is answered %d before signing out", code)
	}
	_, page := p.get("/shops")
	p.post("/signout", form(page))
	if code := asks(); code != http.StatusSeeOther {
		t.Errorf("a copy of the cookie is answered %d after signing out", code)
	}
}

func TestTheSessionsCookieIsClosedToScriptsAndOtherSitesAndSigningInStaysOnTheHost(t *testing.T) {
	p := newPlain(t, "")
	p.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	res, err := p.client.PostForm(p.base+"/signin", url.Values{"key": {here.adminKey}, "to": {"//elsewhere.example/"}})
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	c := res.Cookies()[0]
	if c.Secure {
		t.Error("a cookie for https alone, on a plain site without a setting")
	}
	if !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || strings.Contains(c.Value, here.adminKey) {
		t.Errorf("cookie %v", c)
	}
	if to := res.Header.Get("Location"); to != "/" {
		t.Errorf("signing in leads to %s", to)
	}
}

// What the API says of a field stands beside it in the words of the page, with
// what was typed, and no name of the API.
func TestAFieldThatIsNotTakenIsNamedByItsLabelAndKeepsWhatWasTyped(t *testing.T) {
	p := newPlain(t, here.adminKey)
	for _, c := range []struct {
		page, to string
		typed    url.Values
		id       string
		want     []string
	}{
		{"/keys", "/keys", url.Values{"title": {"x"}, "role": {"shop"}}, "k-shop", []string{`<a href="#k-shop">Shop</a>: `, "No key was made.", `value="x"`}},
		{"/keys", "/keys", url.Values{"title": {"x"}, "role": {"fleet"}, "until": {"2020-01-01"}}, "k-until", []string{`<a href="#k-until">Holds through</a>: `, `value="2020-01-01"`}},
		{"/keys", "/keys", url.Values{"title": {"x"}, "role": {"fleet"}, "until": {"soon"}}, "k-until", []string{`&#34;soon&#34; is no day`, `value="soon"`}},
		{"/organisation", "/organisation/shops", url.Values{"shop": {"A B"}, "title": {"Mill"}}, "o-shop", []string{`<a href="#o-shop">Id</a>: `, `value="A B"`, `value="Mill"`}},
		{"/policy", "/policy", url.Values{"lead": {"13"}, "false_calls": {"few"}}, "p-lead", []string{`<a href="#p-lead">Days ahead</a>: `, `value="13"`}},
		{"/webhooks", "/webhooks", url.Values{"url": {"ftp://x"}, "title": {"y"}, "filter": {"colour = RED"}}, "w-url", []string{`<a href="#w-url">Address</a>: `, `value="ftp://x"`, `value="colour = RED"`}},
		{"/webhooks", "/webhooks", url.Values{"url": {here.url}, "filter": {"colour = RED"}}, "w-filter", []string{`<a href="#w-filter">Only warnings</a>: `}},
		{"/vehicles/van-03", "/vehicles/van-03/repairs", url.Values{"component": {"motor"}, "kind": {"cleaned"}, "note": {"typed"}, "occur_time": {"2099-01-01T10:00"}}, "r-time", []string{`<a href="#r-time">When</a>: `, `value="typed"`, `value="2099-01-01T10:00"`, `<option selected>motor</option>`}},
		{"/vehicles/van-03", "/vehicles/van-03/repairs", url.Values{"component": {"motor"}, "kind": {"cleaned"}, "occur_time": {"noon"}}, "r-time", []string{`&#34;noon&#34; is no time`}},
	} {
		_, page := p.get(c.page)
		f := form(page)
		for name, values := range c.typed {
			f[name] = values
		}
		code, page := p.post(c.to, f)
		if code != http.StatusBadRequest {
			t.Errorf("%s %v is answered %d", c.to, c.typed, code)
			continue
		}
		for _, want := range append(c.want, `aria-describedby="`+c.id+`-amiss"`, `id="`+c.id+`-amiss"`) {
			if !strings.Contains(page, want) {
				t.Errorf("%s %v: the page does not say %s\n%s", c.to, c.typed, want, strings.Join(regexp.MustCompile(`(?s)<div class="problem".*?</div>|<span class="amiss".*?</span>`).FindAllString(page, -1), "\n"))
			}
		}
		if apis := regexp.MustCompile(`\b(key|shop|policy|endpoint|repair)\.[a-z_]+|[a-z]+_[a-z]+:`).FindString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, "")); apis != "" {
			t.Errorf("%s %v: the page names the API's %s", c.to, c.typed, apis)
		}
		// Loaded anew, the address of the answer leads to the page.
		if code, _ := p.get(c.to); code != http.StatusOK {
			t.Errorf("GET %s is answered %d", c.to, code)
		}
	}
}
