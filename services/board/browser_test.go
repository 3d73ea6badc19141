package board_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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
)

// browser is a real one, with what it complained of and whom it asked.
type browser struct {
	ctx  context.Context
	t    *testing.T
	base string

	mu       sync.Mutex
	console  []string
	requests []string
}

// plainHost is a name by which the browser reaches this machine and does not
// trust it without https, as a site on a shop's network.
const plainHost = "board.test"

// startChromium starts the one browser of the tests. It must be there: pages
// that nobody has seen in a browser are not tested.
func (s *site) startChromium() (stop func(), err error) {
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		return nil, errors.New("no Chromium in PATH; install it (Debian: apt-get install chromium)")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("host-resolver-rules", "MAP "+plainHost+" 127.0.0.1"))
	ctx, stopAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, stopBrowser := chromedp.NewContext(ctx)
	stop = func() { stopBrowser(); stopAllocator() }
	if err := chromedp.Do(ctx); err != nil {
		stop()
		return nil, fmt.Errorf("start Chromium: %w", err)
	}
	s.chromium = ctx
	return stop, nil
}

// browse opens a window of its own, which shares nothing with others.
func browse(t *testing.T) *browser {
	t.Helper()
	ctx, cancel := chromedp.NewContext(here.chromium, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 15*time.Minute)
	t.Cleanup(cancel)
	b := &browser{ctx: ctx, t: t, base: here.url}
	if err := chromedp.Listen(ctx, b.note); err != nil {
		t.Fatalf("open a window: %v", err)
	}
	run(b, call(network.Enable, network.EnableParams{}))
	return b
}

// note keeps what the browser complains of and whom it asks.
func (b *browser) note(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch ev := ev.(type) {
	case *log.EventEntryAdded:
		if ev.Entry.Level == log.EntryLevelError || ev.Entry.Level == log.EntryLevelWarning {
			b.console = append(b.console, ev.Entry.Text+" "+ev.Entry.URL)
		}
	case *runtime.EventConsoleAPICalled:
		for _, a := range ev.Args {
			b.console = append(b.console, string(ev.Type)+": "+string(a.Value))
		}
	case *runtime.EventExceptionThrown:
		b.console = append(b.console, ev.ExceptionDetails.Text)
	case *network.EventRequestWillBeSent:
		b.requests = append(b.requests, ev.Request.URL)
	}
}

func call[P, R any](cmd cdp.Command[P, R], params P) chromedp.Action[R] {
	return func(ctx context.Context, t *chromedp.Target) (R, error) { return cdp.Call(ctx, t, cmd, params) }
}

func run[T any](b *browser, a chromedp.Action[T]) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, a)
	if err != nil {
		b.t.Fatal(err)
	}
	return v
}

func (b *browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	run(b, chromedp.Steps(steps...))
}

// eval runs a script in the page and waits for what it promises.
func eval[T any](b *browser, script string) T {
	b.t.Helper()
	return run(b, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
}

func (b *browser) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.base + path))
}

// follow does what leads to another page and waits for it.
func (b *browser) follow(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if _, err := chromedp.RunResponse(b.ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

func (b *browser) click(css string) {
	b.t.Helper()
	b.do(chromedp.Click(chromedp.CSS(css), chromedp.NodeVisible))
}

func (b *browser) enter(css, text string) {
	b.t.Helper()
	b.do(chromedp.SendKeys(chromedp.CSS(css), text, chromedp.NodeVisible))
}

// marks counts the marks of readings that a selector finds. All of one look are
// one path; each is one shape, closed once.
func (b *browser) marks(css string) int {
	b.t.Helper()
	return eval[int](b, `[...document.querySelectorAll("`+css+`")].reduce((n, p) => n + p.getAttribute("d").split("Z").length - 1, 0)`)
}

// until waits for a script to be true, through whatever pages load meanwhile.
func (b *browser) until(script string) {
	b.t.Helper()
	var last error
	for end := time.Now().Add(15 * time.Second); time.Now().Before(end) && b.ctx.Err() == nil; time.Sleep(20 * time.Millisecond) {
		var holds bool
		if holds, last = chromedp.Run(b.ctx, chromedp.Evaluate[bool](script)); last == nil && holds {
			return
		}
	}
	b.t.Fatalf("%s did not come true: %v", script, last)
}

func (b *browser) signIn(key string) {
	b.t.Helper()
	b.open("/signin")
	b.enter("#key", key)
	b.follow(chromedp.Click(chromedp.CSS("form button.main")))
	b.until(`location.pathname !== "/signin" && document.readyState === "complete"`)
}

func (b *browser) size(width, height int64) {
	b.do(chromedp.EmulateViewport(width, height))
}

func (b *browser) scheme(name string) {
	run(b, call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}}))
}

func (b *browser) offline(off bool) {
	run(b, call(network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: off, DownloadThroughput: -1, UploadThroughput: -1}))
	run(b, call(network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{EmulateOfflineServiceWorker: &off,
		MatchedNetworkConditions: []*network.Conditions{{Offline: off, DownloadThroughput: -1, UploadThroughput: -1}}}))
}

// shot writes a picture of the whole page for people to look at.
func (b *browser) shot(name string) {
	b.t.Helper()
	dir := filepath.Join("..", "..", ".cache", "board")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), run(b, chromedp.FullScreenshot(100)), 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// quiet checks that nothing was complained of but answers that a test asked
// for, and that no other host was asked.
func (b *browser) quiet(expected ...string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, c := range b.console {
		if slices.ContainsFunc(expected, func(e string) bool { return strings.Contains(c, e) }) {
			continue
		}
		b.t.Errorf("the browser complains: %s", c)
	}
	for _, r := range b.requests {
		// Chromium draws its own form controls from data addresses.
		if !strings.HasPrefix(r, b.base+"/") && !strings.HasPrefix(r, "data:") {
			b.t.Errorf("a request left the host: %s", r)
		}
	}
}
