package browser

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"time"

	control "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/security"
	"github.com/chromedp/cdproto/storage"
	"github.com/chromedp/chromedp"
)

// patience is how long something may take to appear before it counts as missing: machines that run many things at once are slow.
const patience = 30 * time.Second

// Options say what phone it is.
type Options struct {
	Folder        string // the browser's profile, so that a phone that was switched off comes back with what it kept
	Width, Height int64  // CSS pixels; 0: 390 by 780
	Trust         string // base64 SHA-256 of public keys (SPKI) whose certificates are taken as if they were installed, comma-separated
	Dark          bool   // the dark look
	Desk          bool   // a desk's screen with a mouse, not a phone's that is touched
	Flags         []string
}

// Phone is a running browser with one tab.
type Phone struct {
	ctx  context.Context
	end  []context.CancelFunc
	cmd  *exec.Cmd
	desk bool

	width, height int64

	mu   sync.Mutex
	said []string
}

// ErrMissing is wrapped where something isn't on the screen.
var ErrMissing = errors.New("it isn't on the screen")

// Start starts a browser. It is found by its usual names.
func Start(ctx context.Context, o Options) (*Phone, error) {
	if o.Width == 0 {
		o.Width, o.Height = 390, 780
	}
	p := &Phone{desk: o.Desk}
	// The same set everywhere: nothing of it may speak to anybody but the desk.
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(o.Folder),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("no-pings", true), chromedp.Flag("lang", "en-GB"),
		chromedp.ModifyCmdFunc(func(cmd *exec.Cmd) { p.cmd = cmd }))
	if o.Trust != "" {
		opts = append(opts, chromedp.Flag("ignore-certificate-errors-spki-list", o.Trust))
	}
	for _, f := range o.Flags {
		name, value, given := strings.Cut(f, "=")
		if given {
			opts = append(opts, chromedp.Flag(name, value))
		} else {
			opts = append(opts, chromedp.Flag(name, true))
		}
	}
	allocated, stop := chromedp.NewExecAllocator(ctx, opts...)
	tab, end := chromedp.NewContext(allocated)
	p.ctx, p.end = tab, []context.CancelFunc{end, stop}
	if err := p.Size(o.Width, o.Height); err != nil {
		p.Close()
		return nil, fmt.Errorf("start the browser: %w", err)
	}
	p.listen()
	return p, p.Dark(o.Dark)
}

// listen keeps what the page writes to its console and what it fails with.
func (p *Phone) listen() {
	lines := chromedp.Console(p.ctx)
	go func() {
		for line, err := range lines {
			if err != nil {
				return
			}
			p.mu.Lock()
			p.said = append(p.said, string(line.Type)+": "+line.Text)
			p.mu.Unlock()
		}
	}()
}

// Dark switches between the dark look and the light one.
func (p *Phone) Dark(dark bool) error {
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	_, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
	return err
}

// Size makes the screen another one, in CSS pixels.
func (p *Phone) Size(width, height int64) error {
	p.width, p.height = width, height
	const sharp = 2 // pixels of the picture in one of CSS
	if p.desk {
		return chromedp.Do(p.ctx, chromedp.EmulateViewport(width, height))
	}
	if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(width, height, chromedp.EmulateScale(sharp), chromedp.EmulateMobile, chromedp.EmulateTouch)); err != nil {
		return err
	}
	// What was in view stays in view, by zooming; a phone that is taken into the hand anew isn't zoomed.
	_, err := chromedp.Call(p.ctx, emulation.SetPageScaleFactor, emulation.SetPageScaleFactorParams{PageScaleFactor: 1})
	return err
}

// Open goes to an address and waits until the page is there; use Ready to wait until the recorder can be used.
func (p *Phone) Open(address string) error { return chromedp.Do(p.ctx, chromedp.Navigate(address)) }

// Go changes the part behind # of the address, as a link does.
func (p *Phone) Go(hash string) error {
	_, err := Eval[bool](p, fmt.Sprintf("location.hash = %s, true", quoted(hash)))
	return err
}

// Reload loads the page again.
func (p *Phone) Reload() error { return chromedp.Do(p.ctx, chromedp.Reload()) }

// Ready waits until the recorder can be used.
func (p *Phone) Ready() error {
	return p.Until("the recorder", `document.documentElement.dataset.ready === "yes"`)
}

// Eval computes an expression in the page; promises are waited for.
func Eval[T any](p *Phone, expression string) (T, error) {
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	return chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// Until waits until an expression is true; what names it in the error.
func (p *Phone) Until(what, expression string) error {
	last := ""
	for end := time.After(patience); ; {
		yes, err := Eval[bool](p, "(async () => !!(await ("+expression+")))()")
		if err == nil && yes {
			return nil
		}
		if err != nil {
			last = err.Error()
		}
		select {
		case <-p.ctx.Done():
			return p.ctx.Err()
		case <-end:
			text, _ := p.Text()
			return fmt.Errorf("%s: %w; the screen says:\n%s\n%s\n%s", what, ErrMissing, text, strings.Join(p.Said(), "\n"), last)
		case <-time.After(25 * time.Millisecond):
		}
	}
}

// finder finds what can be used and is called by a name: exactly, else what begins with it, else what holds it. A dialog that is open hides the rest.
const finder = `(name => {
	const dialog = [...document.querySelectorAll("dialog[open]")].at(-1);
	const root = dialog ?? document;
	const called = e => (e.getAttribute("aria-label") ?? (e.labels?.length ? [...e.labels].map(l => l.innerText).join(" ") : null) ?? e.innerText ?? "").trim().replace(/\s+/g, " ");
	const seen = e => e.checkVisibility({visibilityProperty: true}) && e.getClientRects().length > 0;
	const all = [...root.querySelectorAll("button, a[href], summary, input, select, textarea")].filter(seen);
	const usable = all.filter(e => !e.disabled);
	return usable.find(e => called(e) === name) ?? usable.find(e => called(e).startsWith(name)) ?? usable.find(e => called(e).includes(name));
})`

// Tap touches what is called by a name, once it is there, can be used, and isn't moving or behind something else.
func (p *Phone) Tap(name string) error {
	var spot []float64
	for end := time.After(patience); ; {
		if err := p.Until("touch "+name, finder+"("+quoted(name)+")"); err != nil {
			return err
		}
		var err error
		if spot, err = Eval[[]float64](p, fmt.Sprintf(spotter, finder, quoted(name))); err == nil && len(spot) == 2 {
			break
		}
		select {
		case <-end:
			return fmt.Errorf("touch %s: it never holds still: %w", name, err)
		default:
		}
	}
	return chromedp.Do(p.ctx, chromedp.TapXY(spot[0], spot[1]))
}

// spotter finds where something is touched, after two frames in which it stays where it is; [] where it doesn't.
const spotter = `(async () => {
	const e = %s(%s);
	const frame = () => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)));
	const spot = () => { const box = e?.getClientRects()[0]; return box ? [box.left + box.width / 2, box.top + box.height / 2] : []; };
	const free = () => { const [x, y] = spot(); const top = x === undefined ? null : document.elementFromPoint(x, y); return top && (e.contains(top) || [...(e.labels ?? [])].some(l => l.contains(top))); };
	const was = spot();
	await frame();
	if (!free()) {
		e?.scrollIntoView({block: "center", inline: "center", behavior: "instant"});
		return []; // the next look finds it where it has come to rest
	}
	return String(was) === String(spot()) ? was : [];
})()`

// Type puts text into the field that is called by a name, in the place of what was there.
func (p *Phone) Type(name, text string) error {
	if err := p.Until("type into "+name, finder+"("+quoted(name)+")"); err != nil {
		return err
	}
	if _, err := Eval[bool](p, fmt.Sprintf(`(() => { const e = %s(%s); e.focus(); e.select?.(); return true; })()`, finder, quoted(name))); err != nil {
		return fmt.Errorf("type into %s: %w", name, err)
	}
	return chromedp.Do(p.ctx, chromedp.KeyEvent(text))
}

// Press presses keys of a keyboard, such as "\t" or "\r".
func (p *Phone) Press(keys string) error { return chromedp.Do(p.ctx, chromedp.KeyEvent(keys)) }

// Choose takes an option of a list that is called by a name.
func (p *Phone) Choose(name, option string) error {
	if err := p.Until("choose in "+name, finder+"("+quoted(name)+")"); err != nil {
		return err
	}
	ok, err := Eval[bool](p, fmt.Sprintf(`(() => {
		const e = %s(%s);
		const o = [...e.options].find(o => o.text === %s);
		if (!o) return false;
		e.value = o.value;
		e.dispatchEvent(new Event("change", {bubbles: true}));
		return true;
	})()`, finder, quoted(name), quoted(option)))
	if err == nil && !ok {
		err = fmt.Errorf("%s in %s: %w", option, name, ErrMissing)
	}
	return err
}

// Keys types a number on the keypad.
func (p *Phone) Keys(number string) error {
	for _, digit := range number {
		name := string(digit)
		if digit == '.' {
			name = "Decimal point"
		}
		if err := p.Tap(name); err != nil {
			return err
		}
	}
	return nil
}

// says is an expression that is true while the screen says a text, whatever the white space.
func says(text string) string {
	return `document.body.innerText.replace(/\s+/g, " ").includes(` + quoted(text) + `)`
}

// See waits until the screen says a text.
func (p *Phone) See(text string) error { return p.Until("see "+text, says(text)) }

// Gone waits until the screen doesn't say a text any more.
func (p *Phone) Gone(text string) error { return p.Until("no longer see "+text, "!"+says(text)) }

// Text is what the screen says.
func (p *Phone) Text() (string, error) { return Eval[string](p, "document.body.innerText") }

// Said is what the page wrote to its console.
func (p *Phone) Said() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.said...)
}

// Picture is the screen as PNG; whole takes in what can be scrolled to.
func (p *Phone) Picture(whole bool) ([]byte, error) {
	if whole {
		const png = 100
		picture, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(png))
		return picture, errors.Join(err, p.Size(p.width, p.height)) // taking it has changed the size
	}
	return chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
}

// Downloads lets the page save files, into a folder.
func (p *Phone) Downloads(folder string) error {
	_, err := chromedp.CallBrowser(p.ctx, control.SetDownloadBehavior, control.SetDownloadBehaviorParams{Behavior: control.SetDownloadBehaviorBehaviorAllow, DownloadPath: folder})
	return err
}

// Wipe clears all that the browser keeps for a site, as it does where space is short, or as a person does in its settings. The tab leaves the site before.
func (p *Phone) Wipe(site string) error {
	if err := p.Open("about:blank"); err != nil {
		return err
	}
	_, err := chromedp.Call(p.ctx, storage.ClearDataForOrigin, storage.ClearDataForOriginParams{Origin: site, StorageTypes: "all"})
	return err
}

// PassOver opens sites in spite of their certificates, as a person does who passes over the browser's warning. The browser trusts them no more than before.
func (p *Phone) PassOver() error {
	_, err := chromedp.Call(p.ctx, security.SetIgnoreCertificateErrors, security.SetIgnoreCertificateErrorsParams{Ignore: true})
	return err
}

// EachTime runs a script in every page that is opened from now on, before the page's own.
func (p *Phone) EachTime(script string) error {
	_, err := chromedp.Call(p.ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: script})
	return err
}

// Tab is another tab of the same browser.
func (p *Phone) Tab() (*Phone, error) {
	tab, end := chromedp.NewContext(p.ctx)
	other := &Phone{ctx: tab, end: []context.CancelFunc{end}, desk: p.desk}
	const width, height = 390, 780
	if err := other.Size(width, height); err != nil {
		end()
		return nil, err
	}
	other.listen()
	return other, nil
}

// Shut closes this tab alone; the browser goes on while it has another one.
func (p *Phone) Shut() error {
	_, err := chromedp.Call(p.ctx, page.Close, cdp.Empty{})
	return err
}

// Kill ends the browser at once, as an empty battery does.
func (p *Phone) Kill() error {
	if p.cmd == nil || p.cmd.Process == nil {
		return errors.New("this isn't the phone's first tab")
	}
	err := p.cmd.Process.Kill()
	p.Close()
	return err
}

// Close ends the browser, or the tab.
func (p *Phone) Close() {
	for _, end := range p.end {
		end()
	}
	p.end = nil
}

func quoted(text string) string {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(text) // a string is always JSON
	return strings.TrimSpace(b.String())
}

// Quota lets a site keep so many bytes, as where the phone's storage gets full; 0 gives back what there was.
func (p *Phone) Quota(site string, bytes float64) error {
	params := storage.OverrideQuotaForOriginParams{Origin: site}
	if bytes > 0 {
		params.QuotaSize = &bytes
	}
	_, err := chromedp.Call(p.ctx, storage.OverrideQuotaForOrigin, params)
	return err
}
