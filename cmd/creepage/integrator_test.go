package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/xuri/excelize/v2"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/local/localtest"
	"creepage/internal/store"
)

// integrator knows of the service what the README says: the program's commands,
// REST and gRPC.
type integrator struct {
	t         *testing.T
	bin, dir  string
	server    string // address of REST
	grpc      string
	ownersURL string
	admin     string // keys' secrets
	shops     map[string]string
	fleet     string
}

// install builds the program and starts serve and work, each a process with a
// login of its own, against a PostgreSQL and a NATS server of the operator's.
func install(t *testing.T) *integrator {
	t.Helper()
	g := &integrator{t: t, dir: t.TempDir(), shops: map[string]string{}}
	g.bin = filepath.Join(g.dir, "creepage")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", g.bin, "creepage/cmd/creepage").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	postgres, broker := localtest.Both(t)
	db := postgres.Empty(t)
	g.ownersURL = db.OwnerURL()
	g.command(0, []string{"CREEPAGE_DATABASE_URL=" + g.ownersURL}, "migrate")
	secret := "CREEPAGE_SECRET_KEY=an integrator's own secret, of 24 characters or more"
	addresses := g.start([]string{"CREEPAGE_DATABASE_URL=" + db.URL(store.APILogin), "CREEPAGE_NATS_URL=" + broker.URL(), secret}, "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--webhooks-inside")
	g.server, g.grpc = "http://"+addresses["http"], addresses["grpc"]
	g.start([]string{"CREEPAGE_DATABASE_URL=" + db.URL(store.WorkerLogin), "CREEPAGE_NATS_URL=" + broker.URL(), secret}, "work", "--http", "127.0.0.1:0", "--webhooks-inside")
	return g
}

// start starts a part and returns the addresses that its first line of log names.
func (g *integrator) start(environment []string, args ...string) map[string]string {
	g.t.Helper()
	cmd := exec.Command(g.bin, args...)
	cmd.Env = append(os.Environ(), environment...)
	messages, err := cmd.StderrPipe()
	if err != nil {
		g.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		g.t.Fatal(err)
	}
	found, ended := make(chan map[string]string, 1), make(chan struct{})
	go func() {
		defer close(ended)
		lines := bufio.NewScanner(messages)
		for lines.Scan() {
			addresses := map[string]string{}
			for _, m := range regexp.MustCompile(`(http|grpc)=(127\.0\.0\.1:[0-9]+)`).FindAllStringSubmatch(lines.Text(), -1) {
				addresses[m[1]] = m[2]
			}
			if len(addresses) > 0 {
				select {
				case found <- addresses:
				default:
				}
			}
			if strings.Contains(lines.Text(), "level=ERROR") {
				g.t.Errorf("%s: %s", args[0], lines.Text())
			}
		}
	}()
	g.t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		<-ended
		if err := cmd.Wait(); err != nil {
			g.t.Errorf("%s ended with %v", args[0], err)
		}
	})
	select {
	case a := <-found:
		return a
	case <-ended:
		g.t.Fatalf("%s ended before it was ready", args[0])
	case <-time.After(time.Minute):
		g.t.Fatalf("%s is not ready after a minute", args[0])
	}
	return nil
}

// command runs the program to its end and returns what it printed.
func (g *integrator) command(exit int, environment []string, args ...string) string {
	g.t.Helper()
	cmd := exec.CommandContext(g.t.Context(), g.bin, args...)
	cmd.Env, cmd.Dir = append(os.Environ(), environment...), g.dir
	out, err := cmd.CombinedOutput()
	var failed *exec.ExitError
	if err != nil && !errors.As(err, &failed) || cmd.ProcessState.ExitCode() != exit {
		g.t.Fatalf("%v: exit code %d, want %d\n%s", args, cmd.ProcessState.ExitCode(), exit, out)
	}
	return string(out)
}

// call sends a REST request and returns the answer.
func (g *integrator) call(key, method, path, body string) (int, map[string]any, error) {
	req, err := http.NewRequest(method, g.server+path, strings.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	if key != "" {
		req.Header.Set("Authorization", "Bearer "+key)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer resp.Body.Close()
	var answer map[string]any
	err = json.NewDecoder(resp.Body).Decode(&answer)
	return resp.StatusCode, answer, err
}

// must is a call that has to succeed.
func (g *integrator) must(key, method, path, body string) map[string]any {
	g.t.Helper()
	code, answer, err := g.call(key, method, path, body)
	if err != nil || code != http.StatusOK {
		g.t.Fatalf("%s %s: %d %v %v", method, path, code, answer, err)
	}
	return answer
}

// eventually asks until it is so.
func (g *integrator) eventually(what string, is func() bool) {
	g.t.Helper()
	for deadline := time.Now().Add(90 * time.Second); !is(); time.Sleep(50 * time.Millisecond) { // between questions, not instead of them
		if time.Now().After(deadline) {
			g.t.Fatalf("still not so after 90 s: %s", what)
		}
	}
}

func list(answer map[string]any, name string) []map[string]any {
	var out []map[string]any
	items, _ := answer[name].([]any)
	for _, i := range items {
		out = append(out, i.(map[string]any))
	}
	return out
}

// all reads every page of a list.
func (g *integrator) all(key, path, name string) []map[string]any {
	g.t.Helper()
	var out []map[string]any
	for token := ""; ; {
		page := g.must(key, "GET", path+"&pageSize=1000&pageToken="+url.QueryEscape(token), "")
		out = append(out, list(page, name)...)
		if token, _ = page["nextPageToken"].(string); token == "" {
			return out
		}
	}
}

// An integrator connects a dealer group: an organisation, two shops and keys, old
// records from a spreadsheet, live batches over a bad line, warnings by webhook
// and watch; and is told clearly what is wrong.
func TestAnIntegratorConnectsADealerGroup(t *testing.T) {
	g := install(t)
	g.organise()
	g.importSpreadsheet()
	hook, endpoint := g.receiveWebhooks()
	w := g.watch("")
	g.submitOverABadLine()
	warning := g.followAWarning(w)
	g.checkWebhooks(hook, endpoint, warning)
	g.overGRPC()
	g.isRefused()
}

func (g *integrator) organise() {
	g.t.Helper()
	owner := []string{"CREEPAGE_DATABASE_URL=" + g.ownersURL}
	g.admin = strings.TrimSpace(g.command(0, owner, "organisation", "create", "harbor-group", "--title", "Harbor Group"))
	if out := g.command(1, owner, "organisation", "create", "harbor-group"); !strings.Contains(out, "there already") {
		g.t.Errorf("an organisation made twice: %s", out)
	}
	for _, shop := range []string{"nord", "sued"} {
		g.must(g.admin, "POST", "/v1/shops?shopId="+shop, `{"title": "`+shop+`"}`)
		made := g.must(g.admin, "POST", "/v1/keys", `{"key": {"title": "bench of `+shop+`", "role": "SHOP", "shop": "shops/`+shop+`"}}`)
		g.shops[shop], _ = made["secret"].(string)
	}
	made := g.must(g.admin, "POST", "/v1/keys", `{"key": {"title": "fleet manager", "role": "FLEET"}}`)
	g.fleet, _ = made["secret"].(string)
	g.must(g.admin, "PUT", "/v1/platforms/truck-650", `{"title": "Truck, 650 V", "maxWorkingVolts": 650, "testPoints": [
		{"component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "limitOhms": 1e8, "testVolts": 500},
		{"component": "MOTOR", "conductor": "PHASE_V", "reference": "CHASSIS", "limitOhms": 1e8, "testVolts": 500},
		{"component": "MOTOR", "conductor": "PHASE_W", "reference": "CHASSIS", "limitOhms": 1e8, "testVolts": 500}]}`)
}

const spreadsheetRows = 5000

// spreadsheet writes a table as a shop keeps it: numbers and typed numbers mixed,
// dates and typed dates, units here and there, over-range marks, empty rows and
// five rows that are wrong. It returns how many readings are good.
func spreadsheet(t *testing.T, path string) int {
	t.Helper()
	book := excelize.NewFile()
	if err := book.SetSheetName("Sheet1", "Messungen"); err != nil {
		t.Fatal(err)
	}
	good, line := 0, 0
	row := func(cells ...any) {
		line++
		if err := book.SetSheetRow("Messungen", fmt.Sprint("A", line), &cells); err != nil {
			t.Fatal(err)
		}
	}
	row("Lfd. Nr", "Fahrzeug", "Datum", "Bauteil", "Riso U [MΩ]", "Riso V [MΩ]", "Riso W [MΩ]", "Prüfspannung", "Temperatur [°C]", "Bemerkung")
	began := time.Date(2024, 1, 8, 9, 0, 0, 0, time.UTC) // never at 2 in the morning, which does not exist or comes twice when clocks are changed
	for i := range spreadsheetRows {
		var date any = began.Add(time.Duration(i) * 3 * time.Hour)
		if i%2 == 1 {
			date = date.(time.Time).Format("02.01.2006 15:04")
		}
		value := func(k int) any {
			good++
			switch m := 300 + float64((i*7+k*13)%200) + 0.5; (i + k) % 5 {
			case 0:
				return "OL"
			case 1:
				return strings.Replace(fmt.Sprint(m), ".", ",", 1)
			case 2:
				return ">550"
			case 3:
				return "0,42 GΩ"
			default:
				return m
			}
		}
		u, v, w := value(0), value(1), value(2)
		if i%11 == 0 {
			w, good = nil, good-1
		}
		number, vehicle, component := any(i+1), fmt.Sprint("LKW ", i%100+1), "Fahrmotor"
		switch i {
		case 100:
			u = "kaputt"
		case 200:
			date = "31.02.2024 10:00"
		case 300:
			component = "Lichtmaschine"
		case 400:
			date = "29.03.2099 10:00"
		case 500:
			u = -5
		}
		switch i {
		case 100, 500:
			good--
		case 200, 300, 400:
			good -= 3
		}
		row(number, vehicle, date, component, u, v, w, []any{500, "500 V", "0,5 kV"}[i%3], []any{18.5, "18,5"}[i%2], "ohne Befund")
		if i%500 == 499 {
			row()
		}
	}
	if err := book.SaveAs(path); err != nil {
		t.Fatal(err)
	}
	return good
}

func (g *integrator) write(name, text string) {
	g.t.Helper()
	if err := os.WriteFile(filepath.Join(g.dir, name), []byte(text), 0o600); err != nil {
		g.t.Fatal(err)
	}
}

func (g *integrator) importSpreadsheet() {
	g.t.Helper()
	good := spreadsheet(g.t, filepath.Join(g.dir, "alt.xlsx"))
	g.write("nord.key", g.shops["nord"]+"\n")
	to := []string{"--server", g.server, "--key-file", "nord.key"}
	proposal := g.command(0, nil, "import", "alt.xlsx", "--suggest")
	g.write("proposal.json", proposal)
	for _, want := range []string{"whose local time is this", `"decimal_comma": true`, `"Riso V [MΩ]"`, "fill in what each cell means", "lkw-1"} {
		if !strings.Contains(proposal, want) {
			g.t.Errorf("the proposal lacks %q:\n%s", want, proposal)
		}
	}
	if out := g.command(1, nil, append([]string{"import", "alt.xlsx", "--mapping", "proposal.json"}, to...)...); !strings.Contains(out, "settle this") {
		g.t.Errorf("a proposal that nobody has settled: %s", out)
	}
	g.write("alt.json", `{"decimal_comma": true, "time_forms": ["DD.MM.YYYY hh:mm", "serial"], "time_zone": "Europe/Berlin", "ids": ["vehicle"],
 "columns": {"reading_id": "Lfd. Nr", "vehicle": "Fahrzeug", "measured_at": "Datum", "component": "Bauteil", "test_volt": "Prüfspannung", "temperature_c": "Temperatur [°C]"},
 "phases": {"phase_u": "Riso U [MΩ]", "phase_v": "Riso V [MΩ]", "phase_w": "Riso W [MΩ]"}, "units": {"resistance_ohm": "MΩ"},
 "words": {"component": {"Fahrmotor": "motor"}},
 "constants": {"shop": "nord", "platform": "truck-650", "method": "tester", "reference": "chassis", "range_ohm": "550 MΩ"}}`)
	if out := g.command(3, nil, "import", "alt.xlsx", "--mapping", "alt.json", "--dry-run"); !strings.Contains(out, fmt.Sprintf("%d could be sent", good)) {
		g.t.Errorf("the dry run, of %d good readings: %s", good, out)
	}
	run := append([]string{"import", "alt.xlsx", "--mapping", "alt.json"}, to...)
	if out := g.command(3, nil, run...); !strings.Contains(out, fmt.Sprintf("%d accepted, 0 known already", good)) {
		g.t.Errorf("the import, of %d good readings: %s", good, out)
	}
	var accepted, known int
	out := g.command(3, nil, append(run, "--from-start")...)
	// What is not committed yet is accepted once more, and changes nothing.
	parts := strings.Split(out, "readings: ") // a slow import says on the way how far it is
	counts := parts[len(parts)-1]
	if _, err := fmt.Sscanf(counts, "%d accepted, %d known already", &accepted, &known); err != nil || accepted+known != good {
		g.t.Errorf("the import once more, of %d good readings: %s", good, out)
	}
	rejects, err := os.ReadFile(filepath.Join(g.dir, "alt.xlsx.rejects.csv"))
	if err != nil || bytes.Count(rejects, []byte("\n")) != 6 {
		g.t.Errorf("five rows are wrong: %v\n%s", err, rejects)
	}
	mended := strings.NewReplacer("kaputt", "300", "31.02.2024", "28.02.2024", "Lichtmaschine", "Fahrmotor", "29.03.2099", "29.03.2024", ",-5,", ",5,").Replace(string(rejects))
	g.write("mended.csv", mended)
	if out := g.command(0, nil, append([]string{"import", "mended.csv", "--mapping", "alt.json"}, to...)...); !strings.Contains(out, "0 refused") {
		g.t.Errorf("the mended rows: %s", out)
	}
	total := good + 2 + 3*3
	g.eventually(fmt.Sprintf("%d readings of 100 vehicles are kept", total), func() bool {
		return len(g.all(g.fleet, "/v1/vehicles/-/readings?", "readings")) == total && len(g.all(g.fleet, "/v1/vehicles?", "vehicles")) == 100
	})
	g.eventually("every vehicle has an outlook", func() bool {
		return g.must(g.fleet, "GET", "/v1/outlooks?pageSize=1", "")["totalSize"] == 100.0
	})
}

func liveReading(shop, vehicle string, i int, at time.Time, ohms float64) string {
	return fmt.Sprintf(`{"readingId": "live-%s-%d", "shop": "shops/%s", "vehicle": "vehicles/%s", "platform": "platforms/truck-650", "measureTime": %q, "visit": "v-%d", "method": "TESTER",
		"component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "resistanceOhms": %g, "testVolts": 500, "holdSeconds": 60, "temperatureCelsius": 20, "humidityPercent": 45}`,
		vehicle, i, shop, vehicle, at.UTC().Format(time.RFC3339), i, ohms)
}

// submitOverABadLine sends every batch through a line that brings a request to
// the service and loses every other answer; it sends the same again until it has one.
func (g *integrator) submitOverABadLine() {
	g.t.Helper()
	target, err := url.Parse(g.server)
	if err != nil {
		g.t.Fatal(err)
	}
	var n atomic.Int64
	proxy := httputil.NewSingleHostReverseProxy(target)
	bad := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if n.Add(1)%2 == 0 {
			proxy.ServeHTTP(w, r)
			return
		}
		proxy.ServeHTTP(httptest.NewRecorder(), r)
		panic(http.ErrAbortHandler) // the answer is lost
	}))
	defer bad.Close()
	line := *g
	line.server = bad.URL
	now := time.Now()
	lost := 0
	for i := range 8 {
		ohms := 6e8 - 1e7*float64(i)
		if i >= 6 {
			ohms = 2e7 // below the service limit of 100 MΩ, twice
		}
		at := now.Add(time.Duration(i-8) * 4 * 24 * time.Hour)
		body := `{"readings": [` + liveReading("sued", "shuttle-1", i, at, ohms) + "," + liveReading("sued", "shuttle-2", i, at, 5e8) + `]}`
		for {
			code, answer, err := line.call(g.shops["sued"], "POST", "/v1/readings:submit", body)
			if err != nil {
				lost++
				continue
			}
			for _, r := range list(answer, "results") {
				if code != http.StatusOK || r["outcome"] != "ACCEPTED" && r["outcome"] != "DUPLICATE" {
					g.t.Fatalf("%d %v", code, answer)
				}
			}
			break
		}
	}
	if lost < 4 {
		g.t.Errorf("%d answers were lost: the line was not bad", lost)
	}
	g.eventually("each live reading is kept once", func() bool {
		return len(g.all(g.fleet, "/v1/vehicles/-/readings?filter="+url.QueryEscape(`shop = "shops/sued"`), "readings")) == 16
	})
}

// event is one server-sent event.
type event struct{ id, name, data string }

func (e event) change(t *testing.T) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal([]byte(e.data), &m); err != nil {
		t.Fatalf("%q: %v", e.data, err)
	}
	return m
}

// watching is an open watch.
type watching struct {
	events chan event
	stop   context.CancelFunc
	last   string // cursor of the last event taken, a sign of life included
}

// watch opens the stream of warnings' changes after a cursor.
func (g *integrator) watch(after string) *watching {
	g.t.Helper()
	ctx, cancel := context.WithCancel(g.t.Context())
	req, err := http.NewRequestWithContext(ctx, "GET", g.server+"/v1/warnings:watch", nil)
	if err != nil {
		g.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+g.fleet)
	if after != "" {
		req.Header.Set("Last-Event-ID", after)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil || resp.StatusCode != http.StatusOK {
		g.t.Fatalf("watch: %v %v", resp, err)
	}
	w := &watching{events: make(chan event, 100), stop: cancel}
	go func() {
		defer close(w.events)
		defer resp.Body.Close()
		lines, e := bufio.NewScanner(resp.Body), event{}
		for lines.Scan() {
			field, value, _ := strings.Cut(lines.Text(), ": ")
			switch {
			case lines.Text() == "":
				if e != (event{}) {
					w.events <- e
				}
				e = event{}
			case field == "id":
				e.id = value
			case field == "event":
				e.name = value
			case field == "data":
				e.data = value
			}
		}
	}()
	first := w.next(g.t, true) // where the watch begins
	w.last = first.id
	g.t.Cleanup(cancel)
	return w
}

// next takes the next event; signs of life are passed over unless asked for.
func (w *watching) next(t *testing.T, alive bool) event {
	t.Helper()
	timeout := time.After(time.Minute)
	for {
		select {
		case e, open := <-w.events:
			if !open {
				t.Fatal("the watch ended")
			}
			w.last = e.id
			if e.name != "" || alive {
				return e
			}
		case <-timeout:
			t.Fatal("no event within a minute")
		}
	}
}

// followAWarning takes the changes of the warning of shuttle-1 over a watch that
// breaks in the middle, and returns the warning's name.
func (g *integrator) followAWarning(w *watching) string {
	g.t.Helper()
	sequence, name := 0, ""
	take := func() map[string]any {
		g.t.Helper()
		e := w.next(g.t, false)
		c := e.change(g.t)
		n, err := strconv.Atoi(c["sequence"].(string))
		if err != nil || sequence != 0 && n != sequence+1 {
			g.t.Fatalf("change %d came after %d: one is missing or repeated", n, sequence)
		}
		sequence = n
		return c
	}
	for name == "" {
		c := take()
		if warning := c["warning"].(map[string]any); warning["vehicle"] == "vehicles/shuttle-1" && warning["kind"] == "UNDER_SERVICE_LIMIT" {
			if c["event"] != "RAISED" || warning["component"] != "MOTOR" || warning["reason"] == "" {
				g.t.Errorf("%v", c)
			}
			name = warning["name"].(string)
		}
	}
	w.stop() // the line breaks
	g.must(g.fleet, "POST", "/v1/"+name+":acknowledge", `{"note": "on Monday"}`)
	g.must(g.fleet, "POST", "/v1/"+name+":recordFinding", `{"finding": "FAULT_FOUND", "component": "MOTOR", "note": "water in the junction box"}`)
	w = g.watch(w.last)
	events := ""
	for done := false; !done; {
		c := take()
		if warning := c["warning"].(map[string]any); warning["name"] == name {
			events += fmt.Sprint(c["event"], " ")
			done = warning["finding"] == "FAULT_FOUND"
		}
	}
	if events != "CHANGED CHANGED " {
		g.t.Errorf("over the broken line came %q", events)
	}
	g.must(g.fleet, "POST", "/v1/"+name+":end", `{"reason": "repaired"}`)
	for done := false; !done; {
		c := take()
		if warning := c["warning"].(map[string]any); warning["name"] == name {
			done = c["event"] == "ENDED" && warning["endReason"] == "repaired"
		}
	}
	return name
}

// hooks are the messages that a receiver has taken.
type hooks struct {
	mu     sync.Mutex
	taken  map[string]map[string]any // by webhook-id
	wrong  int                       // signatures that do not fit
	secret atomic.Pointer[string]
}

// receiveWebhooks starts a receiver that verifies signatures with the library of
// Standard Webhooks and loses the first message, and makes an endpoint for it.
func (g *integrator) receiveWebhooks() (*hooks, string) {
	g.t.Helper()
	h := &hooks{taken: map[string]map[string]any{}}
	var first atomic.Bool
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil || first.CompareAndSwap(false, true) {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		verifier, err := standardwebhooks.NewWebhook(*h.secret.Load())
		if err == nil {
			err = verifier.Verify(body, r.Header)
		}
		var m map[string]any
		if err != nil || json.Unmarshal(body, &m) != nil {
			h.wrong++
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		h.taken[r.Header.Get("webhook-id")] = m
	}))
	g.t.Cleanup(receiver.Close)
	none := "whsec_bm90IHRoZSBzZWNyZXQsIGJ1dCBsb25nIGVub3VnaA=="
	h.secret.Store(&none)
	made := g.must(g.admin, "POST", "/v1/webhookEndpoints", `{"title": "shop system", "url": "`+receiver.URL+`/creepage", "filter": "vehicle = \"vehicles/shuttle-1\""}`)
	secret, _ := made["secret"].(string)
	h.secret.Store(&secret)
	return h, made["endpoint"].(map[string]any)["name"].(string)
}

func (g *integrator) checkWebhooks(h *hooks, endpoint, warning string) {
	g.t.Helper()
	seen := func() map[string]bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		types := map[string]bool{}
		for _, m := range h.taken {
			if data, _ := m["data"].(map[string]any); data != nil {
				if of, _ := data["warning"].(map[string]any); of["name"] == warning {
					types[m["type"].(string)] = true
				}
			}
		}
		return types
	}
	g.eventually("the webhook has the warning raised, changed and ended, what was lost included", func() bool {
		types := seen()
		return types["warning.raised"] && types["warning.changed"] && types["warning.ended"]
	})
	h.mu.Lock()
	if h.wrong > 0 {
		g.t.Errorf("%d signatures did not fit", h.wrong)
	}
	before := len(h.taken)
	h.mu.Unlock()
	rotated := g.must(g.admin, "POST", "/v1/"+endpoint+":rotateSecret", `{}`)
	if secret := rotated["secret"].(string); secret == *h.secret.Load() {
		g.t.Error("the secret was not rotated")
	}
	g.must(g.admin, "POST", "/v1/"+endpoint+":test", `{}`)
	g.eventually("for a day the old secret still verifies", func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		return len(h.taken) > before
	})
}

// overGRPC asks as the README's Go example does.
func (g *integrator) overGRPC() {
	g.t.Helper()
	conn, err := grpc.NewClient(g.grpc, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		g.t.Fatal(err)
	}
	defer conn.Close()
	ctx := metadata.AppendToOutgoingContext(g.t.Context(), "authorization", "Bearer "+g.fleet)
	page, err := creepagev1.NewFleetServiceClient(conn).ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{PageSize: 3})
	if err != nil || len(page.GetOutlooks()) != 3 || page.GetTotalSize() != 102 {
		g.t.Errorf("%v %v", page, err)
	}
	health, err := healthpb.NewHealthClient(conn).Check(g.t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || health.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		g.t.Errorf("health: %v %v", health, err)
	}
}

// isRefused makes every mistake an integrator makes on the first morning.
func (g *integrator) isRefused() {
	g.t.Helper()
	expired := g.must(g.admin, "POST", "/v1/keys", fmt.Sprintf(`{"key": {"title": "for a moment", "role": "FLEET", "expireTime": %q}}`, time.Now().Add(2*time.Second).UTC().Format(time.RFC3339Nano)))
	revoked := g.must(g.admin, "POST", "/v1/keys", `{"key": {"role": "FLEET"}}`)
	g.must(g.admin, "POST", "/v1/"+revoked["key"].(map[string]any)["name"].(string)+":revoke", `{}`)
	feeder := g.must(g.admin, "POST", "/v1/keys", `{"key": {"role": "FEEDER"}}`)["secret"].(string)
	token := url.QueryEscape(g.must(g.fleet, "GET", "/v1/vehicles?pageSize=1", "")["nextPageToken"].(string))
	one := liveReading("sued", "shuttle-1", 99, time.Now(), 5e8)
	submit := func(reading string) string { return `{"readings": [` + reading + `]}` }
	for _, c := range []struct {
		what, key, method, path, body string
		status                        int
		reason, says                  string
	}{
		{"no key", "", "GET", "/v1/outlooks", "", 401, "NO_KEY", "Authorization: Bearer"},
		{"a key that nobody has", "ck_nobody", "GET", "/v1/outlooks", "", 401, "INVALID_KEY", ""},
		{"a role that may not", g.shops["nord"], "GET", "/v1/outlooks", "", 403, "ROLE_NOT_ALLOWED", "allowed are FLEET"},
		{"a shop key that makes keys", g.shops["nord"], "POST", "/v1/keys", `{"key": {"role": "ADMINISTRATOR"}}`, 403, "ROLE_NOT_ALLOWED", "ADMINISTRATOR"},
		{"a reading of another shop", g.shops["nord"], "POST", "/v1/readings:submit", submit(one), 200, "SHOP_NOT_ALLOWED", "shops/nord"},
		{"a feeder with a tester's reading", feeder, "POST", "/v1/readings:submit", submit(one), 200, "READING_METHOD_NOT_ALLOWED", "MONITOR"},
		{"a unit in the number", g.shops["sued"], "POST", "/v1/readings:submit", submit(strings.Replace(one, `5e+08`, `"500 MΩ"`, 1)), 200, "INVALID_FIELDS", "write it without a unit"},
		{"a word that is none", g.shops["sued"], "POST", "/v1/readings:submit", submit(strings.Replace(one, `"MOTOR"`, `"ENGINE"`, 1)), 200, "INVALID_FIELDS", "readings[0].component"},
		{"no time", g.shops["sued"], "POST", "/v1/readings:submit", submit(strings.Replace(one, `"measureTime"`, `"visitNote"`, 1)), 200, "INVALID_FIELDS", "visitNote"},
		{"a platform that is not there", g.shops["sued"], "POST", "/v1/readings:submit", submit(strings.NewReplacer("truck-650", "truck-999", "shuttle-1", "shuttle-9").Replace(one)), 200, "", "platforms/truck-999"},
		{"JSON that is none", g.shops["sued"], "POST", "/v1/readings:submit", `{"readings": [`, 400, "MALFORMED_JSON", ""},
		{"too many readings", g.shops["sued"], "POST", "/v1/readings:submit", submit(strings.Repeat(`{},`, 1000) + `{}`), 400, "INVALID_FIELDS", "1000"},
		{"a body that is too long", g.shops["sued"], "POST", "/v1/readings:submit", submit(strings.Repeat(" ", 5<<20) + one), 413, "BODY_TOO_LARGE", "fewer readings"},
		{"a route that is none", g.fleet, "GET", "/v1/vehicle", "", 404, "NO_SUCH_ROUTE", "openapi.json"},
		{"a vehicle that is not there", g.fleet, "GET", "/v1/vehicles/none", "", 404, "NOT_FOUND", "vehicles/none"},
		{"a name in capitals", g.admin, "POST", "/v1/shops?shopId=Nord", `{}`, 400, "INVALID_FIELDS", "lower case"},
		{"a shop made twice", g.admin, "POST", "/v1/shops?shopId=nord", `{}`, 409, "ALREADY_EXISTS", "shops/nord"},
		{"a filter with a field that is none", g.fleet, "GET", "/v1/outlooks?filter=colour%3DRED", "", 400, "INVALID_FIELDS", "colour"},
		{"a parameter that is none", g.fleet, "GET", "/v1/outlooks?page_sise=3", "", 400, "INVALID_FIELDS", "page_sise"},
		{"a page token of another list", g.fleet, "GET", "/v1/warnings?pageToken=" + token, "", 400, "INVALID_FIELDS", "page_token"},
		{"a cursor that is none", g.fleet, "GET", "/v1/warnings:watch?cursor=1", "", 400, "INVALID_FIELDS", "cursor"},
		{"a webhook to a file", g.admin, "POST", "/v1/webhookEndpoints", `{"url": "file:///etc/passwd"}`, 400, "INVALID_FIELDS", "url"},
		{"a reading voided that is not there", g.shops["sued"], "POST", "/v1/readings:void", `{"readingId": "none", "reason": "x"}`, 404, "NOT_FOUND", "none"},
		{"a warning ended without a reason", g.fleet, "POST", "/v1/warnings/none:end", `{}`, 400, "INVALID_FIELDS", "reason"},
		{"a revoked key", revoked["secret"].(string), "GET", "/v1/outlooks", "", 401, "INVALID_KEY", ""},
		{"an expired key", expired["secret"].(string), "GET", "/v1/outlooks", "", 401, "INVALID_KEY", ""},
	} {
		var code int
		var text string
		ask := func() bool {
			var answer map[string]any
			var err error
			if code, answer, err = g.call(c.key, c.method, c.path, c.body); err != nil {
				g.t.Fatalf("%s: %v", c.what, err)
			}
			b, err := json.Marshal(answer)
			if err != nil {
				g.t.Fatal(err)
			}
			text = string(b)
			return code == c.status
		}
		if strings.HasSuffix(c.what, "ed key") { // within seconds
			g.eventually(c.what+" is refused", ask)
		} else {
			ask()
		}
		if code != c.status || !strings.Contains(text, `"reason":"`+c.reason) || !strings.Contains(text, c.says) || c.status == 200 && !strings.Contains(text, `"REJECTED"`) {
			g.t.Errorf("%s: %d %.600s\nwant %d, reason %q, %q", c.what, code, text, c.status, c.reason, c.says)
		}
	}
	for what, c := range map[string]struct {
		args []string
		says string
	}{
		"an import without a key":           {[]string{"import", "alt.xlsx", "--mapping", "alt.json", "--server", g.server}, "--key-file"},
		"an import of a table without form": {[]string{"import", "mended.csv", "--server", g.server, "--key-file", "nord.key"}, "missing column"},
	} {
		cmd := exec.CommandContext(g.t.Context(), g.bin, c.args...)
		cmd.Dir = g.dir
		if out, err := cmd.CombinedOutput(); err == nil || !strings.Contains(string(out), c.says) {
			g.t.Errorf("%s: %v\n%s", what, err, out)
		}
	}
}
