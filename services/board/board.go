// Package board is the web pages: what needs a bay, by when and why, a
// vehicle's trend, a visit entered at the vehicle, and what stands around them.
// It asks the API's own client with the rights of the key that signed in; of the
// database it knows its sessions and the files brought to it alone.
//
// Pages are HTML made on the server and work without JavaScript; scripts add
// pointing, the viewer's time zone, one test point at a time and entering
// without a connection. Nothing comes from another host.
package board

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"google.golang.org/grpc"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

// Options is what the board needs besides the API.
type Options struct {
	Log *slog.Logger
	Now func() time.Time
	// Store keeps who is signed in.
	Store   *store.Store
	Cookies Cookies
}

// Cookies says when a session's cookie is for TLS alone.
type Cookies struct {
	// Secure says that browsers reach the board by TLS, here or at a proxy.
	Secure bool
	// TrustForwardedProto takes the word of X-Forwarded-Proto for it. Only a
	// proxy that sets this header itself may be trusted with it.
	TrustForwardedProto bool
}

func (c Cookies) secure(r *http.Request) bool {
	return c.Secure || c.TrustForwardedProto && strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https")
}

// Board serves the pages.
type Board struct {
	log      *slog.Logger
	now      func() time.Time
	sessions *sessions
	pages    map[string]*template.Template
	mux      *http.ServeMux
	front    http.Handler // mux behind what every page has in common
	works    *works

	access    creepagev1.AccessServiceClient
	fleet     creepagev1.FleetServiceClient
	intake    creepagev1.IntakeServiceClient
	platforms creepagev1.PlatformServiceClient
	warnings  creepagev1.WarningServiceClient
	bench     creepagev1.BenchServiceClient
	review    creepagev1.ReviewServiceClient
	webhooks  creepagev1.WebhookServiceClient
	reports   creepagev1.ReportServiceClient
	schedules creepagev1.ReportScheduleServiceClient
}

// New makes the board on a connection to the API.
func New(conn grpc.ClientConnInterface, options Options) (*Board, error) {
	b := &Board{
		log: options.Log, now: options.Now, sessions: &sessions{store: options.Store, cookies: options.Cookies}, mux: http.NewServeMux(), works: newWorks(),
		access: creepagev1.NewAccessServiceClient(conn), fleet: creepagev1.NewFleetServiceClient(conn), intake: creepagev1.NewIntakeServiceClient(conn),
		platforms: creepagev1.NewPlatformServiceClient(conn), warnings: creepagev1.NewWarningServiceClient(conn), bench: creepagev1.NewBenchServiceClient(conn),
		review: creepagev1.NewReviewServiceClient(conn), webhooks: creepagev1.NewWebhookServiceClient(conn), reports: creepagev1.NewReportServiceClient(conn), schedules: creepagev1.NewReportScheduleServiceClient(conn),
	}
	var err error
	if b.pages, err = parsePages(); err != nil {
		return nil, err
	}
	static, err := fs.Sub(staticFiles, "static")
	if err != nil {
		return nil, fmt.Errorf("open the embedded files: %w", err)
	}
	b.routes(static)
	b.front = b.protect(b.mux)
	return b, nil
}

// ServeHTTP implements http.Handler.
func (b *Board) ServeHTTP(w http.ResponseWriter, r *http.Request) { b.front.ServeHTTP(w, r) }

// Close breaks off what is worked on behind the pages, each where it can go on.
func (b *Board) Close() { b.works.close() }

func (b *Board) routes(static fs.FS) {
	b.mux.Handle("GET /static/", http.StripPrefix("/static/", cached(http.FileServerFS(static))))
	// A worker's scope is its own folder, so it is served from the top.
	b.mux.HandleFunc("GET /visit-worker.js", func(w http.ResponseWriter, r *http.Request) { http.ServeFileFS(w, r, static, "visit-worker.js") })
	b.mux.HandleFunc("GET /signin", b.showSignIn)
	b.mux.HandleFunc("POST /signin", b.signIn)
	b.mux.HandleFunc("GET /help", b.showHelp)
	b.mux.HandleFunc("POST /signout", b.signedIn(b.signOut))
	b.mux.HandleFunc("GET /{$}", b.signedIn(b.showFirst))
	b.mux.HandleFunc("GET /vehicles/{vehicle}", b.signedIn(b.showVehicle))
	b.mux.HandleFunc("GET /vehicles/{vehicle}/chart", b.signedIn(b.showChart))
	b.mux.HandleFunc("GET /vehicles/{vehicle}/readings", b.signedIn(b.showReadings))
	b.mux.HandleFunc("GET /vehicles/{vehicle}/wrong", b.signedIn(b.showWrong))
	b.mux.HandleFunc("POST /vehicles/{vehicle}/wrong", b.signedIn(b.correctReading))
	b.mux.HandleFunc("POST /vehicles/{vehicle}/repairs", b.signedIn(b.recordRepair))
	b.mux.HandleFunc("POST /vehicles/{vehicle}/warnings/{warning}/acknowledge", b.signedIn(b.acknowledge))
	b.mux.HandleFunc("POST /vehicles/{vehicle}/warnings/{warning}/finding", b.signedIn(b.recordFinding))
	b.mux.HandleFunc("GET /visit", b.signedIn(b.showVisit))
	b.mux.HandleFunc("POST /visit", b.signedIn(b.enterVisit))
	b.mux.HandleFunc("GET /visit/done", b.signedIn(b.showVisitDone))
	b.mux.HandleFunc("GET /visit/record", b.signedIn(b.giveRecord))
	b.mux.HandleFunc("GET /platforms/{platform}/plan", b.signedIn(b.givePlan))
	b.mux.HandleFunc("GET /shops", b.signedIn(b.showShops))
	b.mux.HandleFunc("POST /meters/{meter}/calibrations", b.signedIn(b.recordCalibration))
	b.mux.HandleFunc("GET /fleet", b.signedIn(b.showFleet))
	b.mux.HandleFunc("GET /export", b.signedIn(b.showExport))
	b.mux.HandleFunc("GET /export/download", b.signedIn(b.giveExport))
	b.mux.HandleFunc("GET /ahead", b.signedIn(b.showAhead))
	b.mux.HandleFunc("POST /ahead", b.signedIn(b.createAhead))
	b.mux.HandleFunc("GET /ahead/{schedule}", b.signedIn(b.showAheadOne))
	b.mux.HandleFunc("GET /ahead/{schedule}/files/{run}", b.signedIn(b.giveAhead))
	b.mux.HandleFunc("POST /ahead/{schedule}/files/{run}/retry", b.signedIn(b.retryAhead))
	for what, do := range map[string]func(http.ResponseWriter, *http.Request, *visitor){"change": b.changeAhead, "switch": b.switchAhead, "make": b.makeAhead, "remove": b.removeAhead} {
		b.mux.HandleFunc("POST /ahead/{schedule}/"+what, b.signedIn(do))
		b.mux.HandleFunc("GET /ahead/{schedule}/"+what, func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "/ahead/"+url.PathEscape(r.PathValue("schedule")), http.StatusSeeOther)
		})
	}
	b.mux.HandleFunc("GET /import", b.signedIn(b.showImports))
	b.mux.HandleFunc("POST /import", b.signedIn(b.upload))
	b.mux.HandleFunc("GET /import/{upload}", b.signedIn(b.showImport))
	b.mux.HandleFunc("GET /import/{upload}/refused", b.signedIn(b.giveRejects))
	b.mux.HandleFunc("POST /import/{upload}/columns", b.signedIn(b.settle))
	b.mux.HandleFunc("POST /import/{upload}/check", b.signedIn(b.recheck))
	b.mux.HandleFunc("POST /import/{upload}/enter", b.signedIn(b.enter))
	b.mux.HandleFunc("POST /import/{upload}/remove", b.signedIn(b.removeImport))
	b.mux.HandleFunc("GET /keys", b.signedIn(b.showKeys))
	b.mux.HandleFunc("POST /keys", b.signedIn(b.createKey))
	b.mux.HandleFunc("POST /keys/{key}/revoke", b.signedIn(b.revokeKey))
	b.mux.HandleFunc("GET /organisation", b.signedIn(b.showOrganisation))
	b.mux.HandleFunc("POST /organisation/shops", b.signedIn(b.createShop))
	b.mux.HandleFunc("GET /policy", b.signedIn(b.showPolicy))
	b.mux.HandleFunc("POST /policy", b.signedIn(b.setPolicy))
	b.mux.HandleFunc("GET /webhooks", b.signedIn(b.showWebhooks))
	b.mux.HandleFunc("POST /webhooks", b.signedIn(b.createWebhook))
	b.mux.HandleFunc("GET /webhooks/{endpoint}", b.signedIn(b.showWebhook))
	for what, do := range map[string]func(http.ResponseWriter, *http.Request, *visitor){
		"change": b.updateWebhook, "switch": b.switchWebhook, "test": b.testWebhook, "replay": b.replayWebhook, "rotate": b.rotateWebhook, "delete": b.deleteWebhook,
	} {
		b.mux.HandleFunc("POST /webhooks/{endpoint}/"+what, b.signedIn(do))
		// The answer that shows a new secret stands at this address; loaded anew it is the page.
		b.mux.HandleFunc("GET /webhooks/{endpoint}/"+what, func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "/webhooks/"+url.PathEscape(r.PathValue("endpoint")), http.StatusSeeOther)
		})
	}
	// The answer that shows what is wrong with a form stands at its address.
	b.mux.HandleFunc("GET /vehicles/{vehicle}/repairs", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "/vehicles/"+url.PathEscape(r.PathValue("vehicle")), http.StatusSeeOther)
	})
	b.mux.Handle("GET /organisation/shops", http.RedirectHandler("/organisation", http.StatusSeeOther))
	b.mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		b.fail(w, r, nil, http.StatusNotFound, "There is no such page.", "")
	})
}

// contentPolicy allows what this host serves and nothing else: no inline
// script or style, no frame, no other host.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; worker-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// maxFormBytes bounds a form; a visit of 200 points is far below it.
const maxFormBytes = 1 << 20

// protect sets the headers of every page and refuses posts from other sites.
// Every form of a signed-in page carries a token as well: a browser too old to
// say where a post comes from is caught by that.
func (b *Board) protect(next http.Handler) http.Handler {
	return http.NewCrossOriginProtection().Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		limit := int64(maxFormBytes)
		if r.Method == http.MethodPost && r.URL.Path == "/import" {
			if limit += maxUploadBytes; r.ContentLength > limit {
				_, _ = io.CopyN(io.Discard, r.Body, drainedBytes) // what follows is the answer, whoever gave up before
				b.fail(w, r, nil, http.StatusRequestEntityTooLarge, "The file is too large.", tooLarge)
				return
			}
		}
		r.Body = http.MaxBytesReader(w, r.Body, limit)
		next.ServeHTTP(w, r)
	}))
}

func cached(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "max-age=300")
		next.ServeHTTP(w, r)
	})
}
