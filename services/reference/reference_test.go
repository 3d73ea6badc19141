package reference_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"

	"creepage/internal/caller"
	"creepage/internal/server"
	"creepage/services/reference"
)

// serve starts the real server, with its headers, and no service behind it: the
// page reads the contract and asks nothing else.
func serve(t *testing.T) string {
	t.Helper()
	s, err := server.New(server.Config{}, server.Parts{
		Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry(), Now: time.Now,
		FindKey: func(context.Context, [32]byte, time.Time) (caller.Caller, error) {
			return caller.Caller{}, caller.ErrNoKey
		},
		Services: func(grpc.ServiceRegistrar) {},
		Pages: func(mux *http.ServeMux, _ *server.Server) {
			if err := reference.Register(mux); err != nil {
				t.Fatal(err)
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(s.Handler())
	t.Cleanup(func() {
		web.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := s.Shutdown(ctx); err != nil {
			t.Error(err)
		}
	})
	return web.URL
}

// heard is what a browser complained of and whom it asked.
type heard struct {
	mu                 sync.Mutex
	console, requested []string
}

func (h *heard) note(ev any) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch ev := ev.(type) {
	case *log.EventEntryAdded:
		h.console = append(h.console, string(ev.Entry.Level)+": "+ev.Entry.Text+" "+ev.Entry.URL)
	case *runtime.EventConsoleAPICalled:
		for _, a := range ev.Args {
			h.console = append(h.console, string(ev.Type)+": "+string(a.Value))
		}
	case *runtime.EventExceptionThrown:
		h.console = append(h.console, ev.ExceptionDetails.Text)
	case *network.EventRequestWillBeSent:
		h.requested = append(h.requested, ev.Request.URL)
	}
}

// browse starts Chromium, which must be there.
func browse(t *testing.T) (context.Context, *heard) {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Fatal("no Chromium in PATH; install it (Debian: apt-get install chromium)")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true))
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(cancel)
	h := &heard{}
	if err := chromedp.Listen(ctx, h.note); err != nil {
		t.Fatalf("start Chromium: %v", err)
	}
	return ctx, h
}

func do[T any](t *testing.T, ctx context.Context, a chromedp.Action[T]) T {
	t.Helper()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func call[P, R any](cmd cdp.Command[P, R], params P) chromedp.Action[R] {
	return func(ctx context.Context, target *chromedp.Target) (R, error) {
		return cdp.Call(ctx, target, cmd, params)
	}
}

// submitSection is the text that the page shows of one operation, that of the
// elements inside its elements too.
const submitSection = `((e) => {
  const text = (n) => n.nodeType === Node.TEXT_NODE ? n.data : n.nodeName === "STYLE" ? "" : [...(n.shadowRoot ?? n).childNodes].map(text).join(" ");
  return e ? text(e) : "";
})(document.querySelector("rapi-doc")?.shadowRoot?.getElementById("post-/v1/readings-submit"))`

func TestTheReferenceShowsEveryOperationAndAsksNoOtherHost(t *testing.T) {
	base := serve(t)
	ctx, heard := browse(t)
	do(t, ctx, call(network.Enable, network.EnableParams{}))
	for _, scheme := range []string{"light", "dark"} {
		do(t, ctx, call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}))
		do(t, ctx, chromedp.EmulateViewport(1280, 900))
		do(t, ctx, chromedp.Navigate(base+"/reference"))
		do(t, ctx, chromedp.Poll[bool](submitSection+`.includes("resistanceOhms")`, chromedp.WithPollingTimeout(30*time.Second)))
		text := do(t, ctx, chromedp.Evaluate[string](submitSection))
		for _, want := range []string{"/v1/readings:submit", "Submits up to 1000 readings", "measureTime", "Resistance in ohm"} {
			if !strings.Contains(text, want) {
				t.Errorf("the operation is shown without %q:\n%.600s", want, text)
			}
		}
		shot(t, ctx, "reference-"+scheme)
	}
	shown := do(t, ctx, chromedp.Evaluate[int](`document.querySelector("rapi-doc").shadowRoot.querySelectorAll("[id^='get-/v1/'], [id^='post-/v1/'], [id^='put-/v1/'], [id^='delete-/v1/'], [id^='patch-/v1/']").length`))
	listed := do(t, ctx, chromedp.Evaluate[int](`fetch("/openapi.json").then((r) => r.json()).then((d) => Object.values(d.paths).flatMap((p) => Object.keys(p)).filter((k) => ["get", "put", "post", "delete", "patch"].includes(k)).length)`, chromedp.EvalAwaitPromise))
	if shown < listed || listed < 30 {
		t.Errorf("%d operations are shown, the contract has %d", shown, listed)
	}
	heard.mu.Lock()
	defer heard.mu.Unlock()
	for _, c := range heard.console {
		t.Errorf("the browser complains: %s", c)
	}
	if len(heard.requested) < 5 {
		t.Errorf("requests were not noted: %v", heard.requested)
	}
	for _, r := range heard.requested {
		if !strings.HasPrefix(r, base+"/") && !strings.HasPrefix(r, "data:") {
			t.Errorf("a request left the host: %s", r)
		}
	}
}

// shot writes a picture for people to look at.
func shot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := filepath.Join("..", "..", ".cache", "board")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), do(t, ctx, chromedp.CaptureScreenshot()), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestTheFolderOfThePageIsThePage(t *testing.T) {
	base := serve(t)
	for path, want := range map[string]string{"/reference/": "<rapi-doc", "/reference/rapidoc-9.3.8.LICENSE.txt": "MIT License"} {
		resp, err := http.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK || !strings.Contains(string(text), want) {
			t.Errorf("%s: %s %v", path, resp.Status, err)
		}
	}
}

func TestThePageForbidsScriptsOfOthers(t *testing.T) {
	resp, err := http.Get(serve(t) + "/reference")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	policy := resp.Header.Get("Content-Security-Policy")
	if resp.StatusCode != http.StatusOK || !strings.Contains(policy, "script-src 'self';") || !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe-eval") {
		t.Errorf("%s %q", resp.Status, policy)
	}
}
