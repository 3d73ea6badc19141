package board_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/xuri/excelize/v2"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/app"
	"creepage/internal/client"
)

// bring uploads a file as a browser without script does.
func (p *plain) bring(name string, content []byte) (at string, code int, page string) {
	p.t.Helper()
	_, start := p.get("/import")
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	if err := m.WriteField("token", form(start).Get("token")); err != nil {
		p.t.Fatal(err)
	}
	part, err := m.CreateFormFile("file", name)
	if err != nil {
		p.t.Fatal(err)
	}
	if _, err := part.Write(content); err != nil {
		p.t.Fatal(err)
	}
	if err := m.Close(); err != nil {
		p.t.Fatal(err)
	}
	res, err := p.client.Post(p.base+"/import", m.FormDataContentType(), &body)
	if err != nil {
		p.t.Fatal(err)
	}
	code, page = p.read(res, nil)
	return res.Request.URL.Path, code, page
}

// worked is the page of a file when nobody works on it any more.
func (p *plain) worked(at string) string {
	p.t.Helper()
	return p.settled(at, 30*time.Second)
}

// settled reloads a page, as its header asks the browser to, until it no longer does.
func (p *plain) settled(at string, within time.Duration) string {
	p.t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		res, err := p.client.Get(p.base + at)
		code, page := p.read(res, err)
		if code != http.StatusOK {
			p.t.Fatalf("%s: %d %s", at, code, page)
		}
		if res.Header.Get("Refresh") == "" {
			return page
		}
	}
	p.t.Fatalf("%s: after %s it is still to be loaded anew", at, within)
	return ""
}

const oldHeader = "reading_id,shop,vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct,range_ohm\n"

func oldRow(id, shop, vehicle, at, ohms string) string {
	return fmt.Sprintf("%s,%s,%s,harbor-van-400,%s,tester,motor,phase_u,chassis,,%s,500,60,21,48,550M\n", id, shop, vehicle, at, ohms)
}

func TestOldRecordsAreLookedThroughBeforeTheyAreEnteredAndNothingIsEnteredTwice(t *testing.T) {
	p := newPlain(t, here.adminKey)
	file := oldHeader + oldRow("old-1", "north-yard", "old-van", "2024-06-02T09:15:00Z", ">550M") + oldRow("old-2", "north-yard", "old-van", "2024-11-02T09:15:00Z", "0.42 GΩ") +
		oldRow("old-1", "north-yard", "old-van", "2024-06-02T09:15:00Z", ">550M") + oldRow("old-3", "nowhere", "old-van", "2024-11-03T09:15:00Z", "0.42 GΩ") +
		oldRow("old-4", "north-yard", "old-van", "2024-11-04T09:15:00Z", "plenty") + oldRow("old-5", "north-yard", "old-van", "2025-02-30T09:15:00Z", "77M")
	at, code, page := p.bring("records of 2024.csv", []byte(file))
	if code != http.StatusOK || !strings.HasPrefix(at, "/import/") {
		t.Fatalf("%s %d %s", at, code, page)
	}
	page = p.worked(at)
	for _, want := range []string{"records of 2024.csv", "Nothing is entered yet", "Of 6 readings", "2 would be entered", "1 is known already", "3 would be refused",
		"nowhere", "plenty", "2025-02-30", "form of <code>readings.csv</code>", "420 MΩ", "Enter the 2"} {
		if !strings.Contains(page, want) {
			t.Errorf("looked through, the page does not say %q", want)
		}
	}
	settle(t)
	if code, _ := p.get("/vehicles/old-van"); code != http.StatusNotFound {
		t.Fatalf("the vehicle is answered %d although nothing was to be entered", code)
	}
	res, err := p.client.Get(p.base + at + "/refused")
	code, refused := p.read(res, err)
	if lines := strings.Split(strings.TrimSpace(refused), "\n"); code != http.StatusOK || len(lines) != 4 || !strings.HasSuffix(lines[0], ",rejected_line,rejected_reason") || !strings.Contains(refused, "old-3,nowhere") ||
		!strings.Contains(refused, `550M,5,"shop: `) || res.Header.Get("Content-Disposition") != "attachment; filename*=UTF-8''records%20of%202024.csv.rejects.csv" {
		t.Errorf("the refused rows: %d %v\n%s", code, res.Header, refused)
	}
	f := form(page)
	for range 2 { // a button pressed twice
		if code, body := p.post(at+"/enter", f); code != http.StatusOK {
			t.Fatalf("%d %s", code, body)
		}
	}
	page = p.worked(at)
	if !strings.Contains(page, "Of 6 readings 2 were entered, 1 was known already, 3 were refused") {
		t.Errorf("entered, the page says %s", page)
	}
	got := readings(t, "old-van")
	if len(got) != 2 || got[0].GetReading().GetResistanceOhms() != 4.2e8 || got[1].GetReading().GetRelation() != creepagev1.Reading_ABOVE {
		t.Fatalf("entered %v", got)
	}
	if warned := get[creepagev1.ListWarningsResponse](t, "/v1/warnings?filter="+url.QueryEscape(`vehicle = "old-van"`)).GetWarnings(); len(warned) != 0 {
		t.Errorf("old records made news: %v", warned)
	}
	// The refused rows, mended, and the whole file once more.
	mended := strings.NewReplacer("nowhere", "quay", "plenty", "300M", "2025-02-30", "2025-02-28").Replace(refused)
	at, _, _ = p.bring("mended.csv", []byte(mended))
	if page = p.worked(at); !strings.Contains(page, "3 would be entered") {
		t.Errorf("mended: %s", page)
	}
	p.post(at+"/enter", form(page))
	p.worked(at)
	at, _, _ = p.bring("again.csv", []byte(file))
	if page = p.worked(at); !strings.Contains(page, "none would be entered, 3 are known already, 3 would be refused") || strings.Contains(page, "/enter") {
		t.Errorf("brought again: %s", page)
	}
	if n := len(readings(t, "old-van")); n != 5 {
		t.Errorf("%d readings, want 5", n)
	}
	p.post(at+"/remove", form(page))
	if code, _ := p.get(at); code != http.StatusNotFound {
		t.Errorf("removed, the file is answered %d", code)
	}
}

func TestATableInAnotherFormIsAskedAboutBeforeItIsRead(t *testing.T) {
	b := browse(t)
	b.signIn(here.shopKey)
	p := newPlain(t, here.shopKey)
	file := "Nr;Fahrzeug;Messdatum;Bauteil;Riso U [MΩ];Riso V [MΩ];Temperatur [°C];Bemerkung\n" +
		"17;Van 30;02.03.2025 10:15;Fahrmotor;412,5;>550;21,5;neu\n18;Van 30;02.04.2025 10:15;Pumpe;400;390;18;\n"
	at, code, page := p.bring("alt.csv", []byte(file))
	if code != http.StatusOK || !strings.Contains(page, "What the file alone does not tell") {
		t.Fatalf("%s %d %s", at, code, page)
	}
	if words := regexp.MustCompile(`<li>[^<]*\b(time_zone|words\.|in constants|ids:)[^<]*`).FindString(page); words != "" {
		t.Errorf("the page speaks of a mapping file: %s", words)
	}
	if strings.Contains(page, "Which column holds “shop”") {
		t.Error("the page asks for the shop, which is the key's own")
	}
	for _, want := range []string{"In whose local time the times are", "What the cells of “component” mean", "Which column holds “method”", "Which column holds “against”", "Left out it is chassis", "holds names such as", `<option selected>Fahrzeug</option>`, "“Fahrmotor” is", `name="same_shop" value="north-yard"`, `<option selected>MΩ</option>`, `name="decimal_comma" checked`} {
		if !strings.Contains(page, want) {
			t.Errorf("the proposal does not hold %q", want)
		}
	}
	for _, width := range []int64{360, 1024, 1600} {
		b.size(width, 900)
		b.open(at)
		b.shot(fmt.Sprintf("import-columns-%d", width))
		if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			t.Errorf("the columns' page is %d px too wide at %d", over, width)
		}
	}
	b.quiet()
	f := formOf(page)
	f.Set("same_platform", "harbor-van-400")
	f.Set("same_method", "tester")
	f.Set("same_reference", "chassis")
	f.Set("time_zone", "Europe/Berlin")
	f.Set("ids_vehicle", "on")
	code, page = p.post(at+"/columns", f)
	if code != http.StatusBadRequest || !strings.Contains(page, "Say what each of these cells means") || !strings.Contains(page, "Fahrmotor") {
		t.Errorf("cells without a meaning: %d", code)
	}
	f = formOf(page)
	for name, cell := range wordFields(page) {
		f.Set(name, map[string]string{"Fahrmotor": "motor", "Pumpe": "-"}[cell])
	}
	f.Set("time_zone", "Mars/Crater")
	if code, page := p.post(at+"/columns", f); code != http.StatusBadRequest || !strings.Contains(page, "Mars/Crater") {
		t.Errorf("a zone that is none: %d", code)
	}
	f.Set("time_zone", "Europe/Berlin")
	if code, page = p.post(at+"/columns", f); code != http.StatusOK {
		t.Fatalf("%d %s", code, page)
	}
	page = p.worked(at)
	for _, want := range []string{"2 would be entered", "2 would be refused", "van-30", "412.5 MΩ", "2 Mar 2025 09:15", "left out: Bemerkung", "“Fahrmotor” is motor", "bare numbers are MΩ"} {
		if !strings.Contains(page, want) {
			t.Errorf("looked through, the page does not say %q", want)
		}
	}
	p.post(at+"/enter", form(page))
	p.worked(at)
	got := readings(t, "van-30")
	if len(got) != 2 || got[0].GetReading().GetResistanceOhms()+got[1].GetReading().GetResistanceOhms() != 4.125e8+5.5e8 {
		t.Errorf("entered %v", got)
	}
	// Another key of the organisation does not see it, the administrator does.
	if code, _ := newPlain(t, here.adminKey).get(at); code != http.StatusOK {
		t.Errorf("the administrator is answered %d", code)
	}
	var made creepagev1.CreateKeyResponse
	shop := "shops/quay"
	if err := here.api.Call(t.Context(), "POST", "/v1/keys", &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Title: "quay", Role: creepagev1.Key_SHOP, Shop: &shop}}, &made); err != nil {
		t.Fatal(err)
	}
	if code, _ := newPlain(t, made.GetSecret()).get(at); code != http.StatusNotFound {
		t.Errorf("another shop's key is answered %d", code)
	}
}

func TestAWorkbookIsReadAndASheetOfSeveralIsChosen(t *testing.T) {
	book := excelize.NewFile()
	if _, err := book.NewSheet("Readings"); err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSpace(oldHeader+oldRow("x-1", "north-yard", "old-wb", "2024-06-02T09:15:00Z", ">550M")+oldRow("x-2", "north-yard", "old-wb", "2024-07-02T09:15:00Z", "500M")), "\n")
	for i, row := range rows {
		cells := strings.Split(row, ",")
		if err := book.SetSheetRow("Readings", fmt.Sprintf("A%d", i+1), &cells); err != nil {
			t.Fatal(err)
		}
	}
	var file bytes.Buffer
	if err := book.Write(&file); err != nil {
		t.Fatal(err)
	}
	p := newPlain(t, here.adminKey)
	at, code, page := p.bring("yard.xlsx", file.Bytes())
	if code != http.StatusOK || !strings.Contains(page, "several sheets") {
		t.Fatalf("%d %s", code, page)
	}
	f := form(page)
	f.Set("sheet", "Readings")
	if code, page = p.post(at+"/columns", f); code != http.StatusOK {
		t.Fatalf("%d %s", code, page)
	}
	if page = p.worked(at); !strings.Contains(page, "2 would be entered") {
		t.Errorf("%s", page)
	}
}

func TestAFileThatCannotBeReadIsRefusedWithAReason(t *testing.T) {
	p := newPlain(t, here.adminKey)
	row := oldRow("r-1", "north-yard", "old-bad", "2024-06-02T09:15:00Z", "500M")
	utf16 := []byte{0xff, 0xfe}
	for _, c := range oldHeader {
		utf16 = append(utf16, byte(c), 0)
	}
	for _, c := range []struct {
		name    string
		content []byte
		want    string
	}{
		{"empty.csv", nil, "empty.csv is empty"},
		{"notes.pdf", []byte("%PDF-1.7"), "neither a .csv nor an .xlsx"},
		{"notes.csv", []byte("%PDF-1.7\n1 0 obj"), "this is a PDF"},
		{"book.csv", []byte("PK\x03\x04rest"), "must end in .xlsx"},
		{"old.csv", append([]byte("\xd0\xcf\x11\xe0"), make([]byte, 100)...), "old kind"},
		{"utf16.csv", utf16, "UTF-16"},
		{"latin1.csv", []byte("Nr;Fahrzeug;Widerstand [M\xd9];Pr\xfcfspannung\n1;van;2;3\n"), "not in UTF-8"},
		{"torn.xlsx", []byte("PK\x03\x04torn"), "torn.xlsx"},
		{"large.csv", append([]byte(oldHeader), bytes.Repeat([]byte(row), 1+(20<<20)/len(row))...), "larger than 20 MB"},
		{"larger.csv", bytes.Repeat([]byte("x"), 40<<20), "larger than 20 MB"},
	} {
		at, code, page := p.bring(c.name, c.content)
		if at != "/import" || code < 400 || code >= 500 || !strings.Contains(page, c.want) {
			t.Errorf("%s: %s %d %.2000s", c.name, at, code, page)
		}
		if strings.Contains(page, os.TempDir()+"/creepage") {
			t.Errorf("%s: the page names a path of the server", c.name)
		}
	}
	at, _, _ := p.bring("header.csv", []byte(oldHeader))
	if page := p.worked(at); !strings.Contains(page, "no row below its header") {
		t.Errorf("a header alone: %s", page)
	}
	at, _, _ = p.bring("mixed.csv", []byte(oldHeader+row+strings.Replace(row, "motor", "mot\xf6r", 1)))
	if page := p.worked(at); !strings.Contains(page, "1 would be refused") || !strings.Contains(page, "UTF-8") {
		t.Errorf("one row in another encoding: %s", page)
	}
}

func TestOnlyKeysThatSubmitMayImportAndEveryPostCarriesTheFormsToken(t *testing.T) {
	var made creepagev1.CreateKeyResponse
	if err := here.api.Call(t.Context(), "POST", "/v1/keys", &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Title: "analyst", Role: creepagev1.Key_ANALYST}}, &made); err != nil {
		t.Fatal(err)
	}
	p := newPlain(t, made.GetSecret())
	if code, _ := p.get("/import"); code != http.StatusForbidden {
		t.Errorf("an analyst is answered %d", code)
	}
	admin := newPlain(t, here.adminKey)
	at, _, _ := admin.bring("token.csv", []byte(oldHeader+oldRow("t-1", "north-yard", "old-token", "2024-06-02T09:15:00Z", "500M")))
	admin.worked(at)
	for _, what := range []string{"enter", "check", "columns", "remove"} {
		if code, _ := admin.post(at+"/"+what, url.Values{}); code != http.StatusForbidden {
			t.Errorf("%s without the token is answered %d", what, code)
		}
	}
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	part, _ := m.CreateFormFile("file", "x.csv")
	_, _ = part.Write([]byte(oldHeader))
	_ = m.Close()
	res, err := admin.client.Post(admin.base+"/import", m.FormDataContentType(), &body)
	if code, _ := admin.read(res, err); code != http.StatusForbidden {
		t.Errorf("a file without the token is answered %d", code)
	}
	// A shop's key enters its own shop's readings alone.
	shop := newPlain(t, here.shopKey)
	at, _, _ = shop.bring("theirs.csv", []byte(oldHeader+oldRow("s-1", "quay", "old-theirs", "2024-06-02T09:15:00Z", "500M")))
	if page := shop.worked(at); !strings.Contains(page, "none would be entered") || !strings.Contains(page, "not the key") {
		t.Errorf("another shop's reading: %s", page)
	}
}

func TestAnImportInTheBrowserShowsWhatItDoes(t *testing.T) {
	b := browse(t)
	b.signIn(here.adminKey)
	var file strings.Builder
	file.WriteString(oldHeader)
	for i := range 5000 {
		file.WriteString(oldRow(fmt.Sprintf("bulk-%d", i), "north-yard", fmt.Sprintf("bulk-%d", i%100), time.Date(2023, 1, 1, 0, i, 0, 0, time.UTC).Format(time.RFC3339), "500M"))
	}
	file.WriteString(oldRow("bulk-x", "nowhere", "bulk-1", "2023-01-01T00:00:00Z", "1"))
	path := filepath.Join(t.TempDir(), "bulk.csv")
	if err := os.WriteFile(path, []byte(file.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	b.open("/import")
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#i-file"), []string{path}))
	b.follow(chromedp.Click(chromedp.CSS("form[action='/import'] button.main")))
	b.until(`document.querySelector("main").textContent.includes("5000 would be entered")`)
	for _, width := range []int64{360, 1024, 1600} {
		b.size(width, 900)
		b.shot(fmt.Sprintf("import-checked-%d", width))
		if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			t.Errorf("the page of a file is %d px too wide at %d", over, width)
		}
	}
	b.follow(chromedp.Click(chromedp.CSS("form[action$='/enter'] button")))
	b.until(`document.querySelector("main").textContent.includes("5000 were entered")`)
	b.shot("import-entered-1600")
	b.quiet()
}

var (
	selected = regexp.MustCompile(`(?s)<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>`)
	chosen   = regexp.MustCompile(`<option(?: value="([^"]*)")? selected>([^<]*)`)
	inputs   = regexp.MustCompile(`<input([^>]*)>`)
	named    = regexp.MustCompile(` name="([^"]+)"`)
	valued   = regexp.MustCompile(` value="([^"]*)"`)
	meant    = regexp.MustCompile(`“([^”]*)” is <select name="([^"]+)"`)
)

// formOf returns what a browser would send of all fields of a page.
func formOf(page string) url.Values {
	v := url.Values{}
	unescape := strings.NewReplacer("&#43;", "+", "&amp;", "&", "&#34;", `"`, "&#39;", "'", "&gt;", ">", "&lt;", "<")
	for _, m := range selected.FindAllStringSubmatch(page, -1) {
		v.Set(m[1], "")
		if c := chosen.FindStringSubmatch(m[2]); c != nil {
			v.Set(m[1], unescape.Replace(c[1]+c[2]))
			if c[1] != "" {
				v.Set(m[1], unescape.Replace(c[1]))
			}
		}
	}
	for _, m := range inputs.FindAllStringSubmatch(page, -1) {
		name := named.FindStringSubmatch(m[1])
		if name == nil || strings.Contains(m[1], `type="checkbox"`) && !strings.Contains(m[1], " checked") {
			continue
		}
		value := "on"
		if x := valued.FindStringSubmatch(m[1]); x != nil {
			value = unescape.Replace(x[1])
		}
		if name[1] == "time_form" {
			v.Add(name[1], value)
		} else {
			v.Set(name[1], value)
		}
	}
	return v
}

// wordFields lists the fields that ask what a cell means.
func wordFields(page string) map[string]string {
	fields := map[string]string{}
	for _, m := range meant.FindAllStringSubmatch(page, -1) {
		fields[m[2]] = m[1]
	}
	return fields
}

// The table is longer than one request, so that the rows at its end come long
// after the one that registers their vehicle.
func TestTheLookThroughSaysOfVehiclesThatTheFileRegistersWhatBecomesOfThem(t *testing.T) {
	p := newPlain(t, here.adminKey)
	var file strings.Builder
	file.WriteString(oldHeader + oldRow("reg-1", "north-yard", "old-reg", "2024-06-02T09:15:00Z", "500M"))
	for i := range 600 {
		file.WriteString(oldRow(fmt.Sprintf("reg-f%d", i), "north-yard", "old-reg-2", time.Date(2024, 1, 1, 0, i, 0, 0, time.UTC).Format(time.RFC3339), "500M"))
	}
	without := func(id, vehicle string) string {
		return strings.Replace(oldRow(id, "north-yard", vehicle, "2024-07-02T09:15:00Z", "480M"), "harbor-van-400", "", 1)
	}
	file.WriteString(without("reg-2", "old-reg") + without("reg-3", "old-nobody") + strings.Replace(oldRow("reg-4", "north-yard", "old-reg", "2024-08-02T09:15:00Z", "470"), "harbor-van-400", "other-van", 1))
	at, _, _ := p.bring("register.csv", []byte(file.String()))
	page := p.worked(at)
	for _, want := range []string{"Of 604 readings", "602 would be entered", "2 would be refused", "is not registered yet, so its platform is needed", "is not the platform of",
		"numbers without a unit, the first in line 605, are taken as ohm"} {
		if !strings.Contains(page, want) {
			t.Errorf("looked through, the page does not say %q", want)
		}
	}
	p.post(at+"/enter", form(page))
	if page = p.worked(at); !strings.Contains(page, "Of 604 readings 602 were entered, 2 were refused") {
		t.Errorf("entered, the page says %.3000s", page)
	}
	if n := len(readings(t, "old-reg")); n != 2 {
		t.Errorf("%d readings, want 2", n)
	}
}

// The service is stopped while it enters a file and started again on the same
// folder: the page says so, and "Go on" takes it up where it was.
func TestAnImportThatIsBrokenOffGoesOnWhereItWas(t *testing.T) {
	dir, err := os.MkdirTemp("", "creepage-broken-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	if err := os.Chmod(dir, 0o755); err != nil { // the database's account walks through it
		t.Fatal(err)
	}
	start := func() (*app.Process, *plain) {
		process, err := app.StartUp(t.Context(), app.UpConfig{Common: app.Common{Log: slog.New(here.faults), Clock: time.Now}, Data: dir, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0"})
		if err != nil {
			t.Fatal(err)
		}
		key := readFile(t, app.KeyFile(dir))
		p := newPlain(t, "")
		p.base = "http://" + process.HTTP
		p.post("/signin", url.Values{"key": {strings.TrimSpace(key)}})
		return process, p
	}
	process, p := start()
	api, err := client.New(p.base, strings.TrimSpace(readFile(t, app.KeyFile(dir))))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(api.Call(t.Context(), "POST", "/v1/shops?shopId=north-yard", &creepagev1.Shop{Title: "North yard"}, nil), api.Call(t.Context(), "PUT", "/v1/platforms/harbor-van-400", vanPlatform(), nil)); err != nil {
		t.Fatal(err)
	}
	const rows = 40_000
	var file strings.Builder
	file.WriteString(oldHeader)
	for i := range rows {
		file.WriteString(oldRow(fmt.Sprintf("b-%d", i), "north-yard", fmt.Sprintf("b-%d", i%500), time.Date(2023, 1, 1, 0, i, 0, 0, time.UTC).Format(time.RFC3339), "500M"))
	}
	at, _, _ := p.bring("long.csv", []byte(file.String()))
	page := p.worked(at)
	if code, _ := p.post(at+"/enter", form(page)); code != http.StatusOK {
		t.Fatalf("entering is answered %d", code)
	}
	so := regexp.MustCompile(`(\d+) readings so far`)
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		_, page = p.get(at)
		if m := so.FindStringSubmatch(page); m != nil && m[1] != "0" {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("the work does not begin: %.3000s", page)
		}
	}
	if err := process.Stop(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	process, p = start()
	defer func() { _ = process.Stop(context.Background()) }()
	_, page = p.get(at)
	for _, want := range []string{"It was broken off because the service was stopped.", "What was entered stays", "Go on"} {
		if !strings.Contains(page, want) {
			t.Errorf("broken off, the page does not say %q", want)
		}
	}
	if _, list := p.get("/import"); !strings.Contains(list, "broken off") {
		t.Error("the list of files does not say that it was broken off")
	}
	if code, _ := p.post(at+"/enter", form(page)); code != http.StatusOK {
		t.Fatalf("going on is answered %d", code)
	}
	page = p.worked(at)
	said := regexp.MustCompile(`Of (\d+) readings (\d+) were entered(?:, (\d+) (?:was|were) known already)?\.`).FindStringSubmatch(page)
	if said == nil || said[1] != strconv.Itoa(rows) {
		t.Fatalf("in the end the page says %.3000s", page)
	}
	entered, _ := strconv.Atoi(said[2])
	known, _ := strconv.Atoi(said[3]) // a batch whose answer was lost
	if entered+known != rows || entered == 0 {
		t.Errorf("entered %d, known %d, of %d", entered, known, rows)
	}
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
