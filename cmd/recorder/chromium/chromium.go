//go:build !js

package chromium

import (
	"context"
	"encoding/json"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// Patience is how long anything in a page may take.
const Patience = 4 * time.Minute

// Browser is a running Chromium.
type Browser struct {
	tb     testing.TB
	ctx    context.Context
	cancel context.CancelFunc
	pid    int
}

// Need skips a test where there is no Chromium; required is whether that is a failure instead, as in CI.
func Need(tb testing.TB, required bool) {
	tb.Helper()
	if _, err := exec.LookPath("chromium"); err != nil {
		if required {
			tb.Fatal("chromium is missing, and this suite is required: apt-get install chromium")
		}
		tb.Skip("chromium is missing: apt-get install chromium; in CI this is a failure")
	}
}

// Start starts Chromium with a folder of its own for what it keeps; another start with the same folder finds what this one kept. It ends with the test.
func Start(tb testing.TB, folder string, more ...chromedp.ExecAllocatorOption) *Browser {
	tb.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		tb.Fatal(err)
	}
	opts := []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(path), chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(folder),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("no-proxy-server", true),
		chromedp.Flag("disable-renderer-backgrounding", true), chromedp.Flag("disable-background-timer-throttling", true),
	}
	alloc, stop := chromedp.NewExecAllocator(context.Background(), append(opts, more...)...)
	ctx, cancel := chromedp.NewContext(alloc)
	b := &Browser{tb: tb, ctx: ctx, cancel: func() { cancel(); stop() }}
	tb.Cleanup(b.Close)
	if err := chromedp.Do(ctx); err != nil {
		tb.Fatal(err)
	}
	if p := chromedp.FromContext(ctx).Browser.Process(); p != nil {
		b.pid = p.Pid
	}
	return b
}

// Pid is the browser's process.
func (b *Browser) Pid() int { return b.pid }

// Close ends the browser.
func (b *Browser) Close() { b.cancel() }

// Page is a tab.
type Page struct {
	tb   testing.TB
	ctx  context.Context
	stop context.CancelFunc
}

// Open opens a page in a tab of its own. What it writes to its console is shown if the test fails.
func (b *Browser) Open(address string) *Page {
	b.tb.Helper()
	ctx, stop := chromedp.NewContext(b.ctx)
	p := &Page{b.tb, ctx, stop}
	heard := chromedp.Console(ctx)
	var mu sync.Mutex
	var said []string
	go func() {
		for m, err := range heard {
			if err != nil {
				return
			}
			mu.Lock()
			said = append(said, m.Text)
			mu.Unlock()
		}
	}()
	b.tb.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		if b.tb.Failed() {
			b.tb.Logf("console:\n%s", strings.Join(said, "\n"))
		}
	})
	p.Go(address)
	return p
}

// Go goes to an address.
func (p *Page) Go(address string) {
	p.tb.Helper()
	if err := chromedp.Do(p.ctx, chromedp.Navigate(address)); err != nil {
		p.tb.Fatal(err)
	}
}

// Close closes the tab.
func (p *Page) Close() { p.stop() }

// Throttle slows the page's processor by a factor.
func (p *Page) Throttle(times float64) {
	p.tb.Helper()
	if _, err := chromedp.Call(p.ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: times}); err != nil {
		p.tb.Fatal(err)
	}
}

// Try runs a script, which may await, and reads what it returns into out (nil: nothing).
func (p *Page) Try(script string, out any) error {
	ctx, cancel := context.WithTimeout(p.ctx, Patience)
	defer cancel()
	whole := `(async () => { try { const said = await (async () => { ` + script + ` })(); return JSON.stringify({ok: said === undefined ? null : said}) }
		catch (e) { return JSON.stringify({error: e instanceof Error ? String(e) : e}) } })()`
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](whole, chromedp.EvalAwaitPromise))
	if err != nil {
		return err
	}
	var answer struct {
		OK    json.RawMessage `json:"ok"`
		Error json.RawMessage `json:"error"`
	}
	if err := json.Unmarshal([]byte(text), &answer); err != nil {
		return err
	}
	if answer.Error != nil {
		return &Thrown{string(answer.Error)}
	}
	if out == nil {
		return nil
	}
	return json.Unmarshal(answer.OK, out)
}

// Thrown is what a script has thrown, as JSON.
type Thrown struct{ JSON string }

func (t *Thrown) Error() string { return "the page: " + t.JSON }

// Do is Try for a script that must work.
func (p *Page) Do(script string, out any) {
	p.tb.Helper()
	if err := p.Try(script, out); err != nil {
		p.tb.Fatalf("%v\n%s", err, strings.TrimSpace(script))
	}
}
