//go:build !js

package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"countback/cmd/recorder/chromium"
)

var programsFlag = flag.String("programs", "", "a folder with the programs of an earlier run, which are used as they are")

// programs are built once for all tests of a run.
var programs struct {
	once   sync.Once
	folder string
	err    error
}

// program returns the path of the desk's program, or of a module.
func program(tb testing.TB, name string) string {
	tb.Helper()
	if *programsFlag != "" {
		return filepath.Join(*programsFlag, name)
	}
	programs.once.Do(func() {
		if programs.folder, programs.err = os.MkdirTemp("", "recorder"); programs.err != nil {
			return
		}
		for _, p := range []struct {
			name, folder string
			args         []string
			env          []string
		}{
			{"countback", "./cmd/countback", nil, nil},
			{"recorder.wasm", "./cmd/recorder", []string{"-ldflags=-s -w -X main.build=test"}, []string{"GOOS=js", "GOARCH=wasm"}},
			{"carrier.wasm", "./cmd/recorder/carrier", []string{"-ldflags=-s -w"}, []string{"GOOS=js", "GOARCH=wasm"}},
		} {
			args := append(append([]string{"build"}, p.args...), "-o", filepath.Join(programs.folder, p.name), p.folder)
			cmd := exec.Command("go", args...)
			cmd.Dir = root
			cmd.Env = append(append(os.Environ(), "CGO_ENABLED=0"), p.env...)
			if said, err := cmd.CombinedOutput(); err != nil {
				programs.err = fmt.Errorf("%s: %w\n%s", p.folder, err, said)
				return
			}
		}
	})
	if programs.err != nil {
		tb.Fatal(programs.err)
	}
	return filepath.Join(programs.folder, name)
}

func TestMain(m *testing.M) {
	status := m.Run()
	if programs.folder != "" {
		os.RemoveAll(programs.folder)
	}
	os.Exit(status)
}

// desk is a real desk in a folder of its own.
type desk struct {
	tb   testing.TB
	dir  string
	base string // of its door, while it serves
	stop func()
}

// newDesk founds a shop and records facts, one JSON object a line.
func newDesk(tb testing.TB, facts string) *desk {
	tb.Helper()
	d := &desk{tb: tb, dir: filepath.Join(tb.TempDir(), "shop")}
	d.run("", "init", "--shop", "Paper Moon Press", "--currency", "CAD", "--zone", "America/Halifax")
	if facts != "" {
		d.run(facts, "record", "-")
	}
	return d
}

func (d *desk) command(args ...string) *exec.Cmd {
	cmd := exec.Command(program(d.tb, "countback"), append([]string{"--data", d.dir}, args...)...)
	cmd.Env = append(os.Environ(), "COUNTBACK_DATA="+d.dir)
	return cmd
}

// run runs a command of the desk and returns what it prints.
func (d *desk) run(input string, args ...string) string {
	d.tb.Helper()
	cmd := d.command(args...)
	cmd.Stdin = strings.NewReader(input)
	var out, fault bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &fault
	if err := cmd.Run(); err != nil {
		d.tb.Fatalf("countback %s: %v\n%s", strings.Join(args, " "), err, fault.String())
	}
	return out.String()
}

var openAt = regexp.MustCompile(`https://\S+`)

// serve keeps the desk's door until the test ends or stop is called.
func (d *desk) serve() {
	d.tb.Helper()
	port := "0"
	if u, err := url.Parse(d.base); err == nil && d.base != "" {
		port = u.Port()
	}
	cmd := d.command("serve", "--listen", "127.0.0.1", "--port", port, "--bare")
	out, err := cmd.StdoutPipe()
	if err != nil {
		d.tb.Fatal(err)
	}
	var fault lockedBuffer
	cmd.Stderr = &fault
	if err := cmd.Start(); err != nil {
		d.tb.Fatal(err)
	}
	lines := bufio.NewReader(out)
	said := ""
	for d.base = ""; d.base == ""; {
		line, err := lines.ReadString('\n')
		if said += line; err != nil {
			d.tb.Fatalf("serve: %s%s", said, fault.String())
		}
		d.base = strings.TrimRight(openAt.FindString(line), ".")
	}
	go func() { _, _ = io.Copy(io.Discard, lines) }()
	d.stop = sync.OnceFunc(func() {
		_ = cmd.Process.Signal(os.Interrupt)
		_ = cmd.Wait()
		if d.tb.Failed() {
			d.tb.Logf("serve said:\n%s", fault.String())
		}
	})
	d.tb.Cleanup(d.stop)
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// pairing is a running countback pair.
type pairing struct {
	tb   testing.TB
	link string
	cmd  *exec.Cmd
	in   io.WriteCloser
	said *lockedBuffer // to the person
}

var shownDigits = regexp.MustCompile(`Type these digits at .*: (\d{3}) (\d{3})`)

// digits are those that the desk shows, once it does.
func (p *pairing) digits() (digits string) {
	p.tb.Helper()
	eventually(p.tb, "the desk shows digits", func() bool {
		m := shownDigits.FindStringSubmatch(p.said.String())
		if m != nil {
			digits = m[1] + m[2]
		}
		return m != nil
	})
	return digits
}

func (d *desk) pair() *pairing {
	d.tb.Helper()
	cmd := d.command("pair", "--json")
	in, err := cmd.StdinPipe()
	if err != nil {
		d.tb.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		d.tb.Fatal(err)
	}
	p := &pairing{tb: d.tb, cmd: cmd, in: in, said: &lockedBuffer{}}
	cmd.Stderr = p.said
	if err := cmd.Start(); err != nil {
		d.tb.Fatal(err)
	}
	var said struct{ Link string }
	lines := json.NewDecoder(out)
	if err := lines.Decode(&said); err != nil {
		d.tb.Fatal(err)
	}
	go func() { _, _ = io.Copy(io.Discard, out) }()
	p.link = said.Link
	d.tb.Cleanup(func() {
		_ = cmd.Process.Kill() // it has ended, where all went well
		_ = cmd.Wait()
	})
	return p
}

// front is where a page finds the recorder: it serves the modules and a page of the test, and leads everything else to the desk's door. It can be cut, as a
// network can.
type front struct {
	*httptest.Server
	mu    sync.Mutex
	desk  *desk
	cut   bool
	conns map[net.Conn]bool
	hooks sync.Map // of the test, by path
	count map[string]int
	stall chan struct{} // while the way swallows what is sent; closed when it does no longer
}

// shifted is a clock that is ahead by what the page's address says.
const shifted = `
const ahead = Number(new URLSearchParams(location.search).get("ahead") ?? 0);
if (ahead) {
	const Real = Date;
	globalThis.Date = class extends Real {
		constructor(...args) { if (args.length) super(...args); else super(Real.now() + ahead) }
		static now() { return Real.now() + ahead }
	};
}
`

const testPage = `<!doctype html><meta charset="utf-8"><title>test</title><script src="/wasm_exec.js"></script><script>` + shifted + `
globalThis.heard = [];
globalThis.ready = (async () => {
	const go = new Go();
	const made = await WebAssembly.instantiateStreaming(fetch("/recorder.wasm"), go.importObject);
	go.run(made.instance);
	globalThis.memory = () => made.instance.exports.mem.buffer.byteLength;
	for (const name of ["changed", "standing", "paired", "refused", "revoked", "foreign", "member", "locked"]) {
		countback.addEventListener(name, (e) => heard.push([name, e.detail ?? null]));
	}
	globalThis.opened = await countback.open();
	globalThis.listed = await countback.items();
	globalThis.usable = performance.now(); // since the navigation
	if (!location.search.includes("alone")) globalThis.carrier = new Worker("/worker.js" + location.search);
})();
async function until(what, test) {
	for (let n = 0; n < 600; n++) {
		const v = await test();
		if (v) return v;
		await new Promise((done) => setTimeout(done, 100));
	}
	throw new Error("waited in vain until " + what + "; heard " + JSON.stringify(heard) + "; " + JSON.stringify(await countback.standing()));
}
</script>`

const workerScript = shifted + `importScripts("/wasm_exec.js");
const go = new Go();
WebAssembly.instantiateStreaming(fetch("/carrier.wasm"), go.importObject).then((made) => {
	onmessage = () => postMessage(made.instance.exports.mem.buffer.byteLength);
	go.run(made.instance);
});`

func newFront(tb testing.TB, d *desk) *front {
	tb.Helper()
	f := &front{desk: d, conns: map[net.Conn]bool{}, count: map[string]int{}}
	mux := http.NewServeMux()
	fixed := func(path, kind, content string) {
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			_, _ = io.WriteString(w, content)
		})
	}
	fixed("/{$}", "text/html; charset=utf-8", testPage)
	fixed("/worker.js", "text/javascript", workerScript)
	script := starter(tb)
	mux.HandleFunc("GET /wasm_exec.js", func(w http.ResponseWriter, r *http.Request) { http.ServeFile(w, r, script) })
	for _, name := range []string{"recorder.wasm", "carrier.wasm"} {
		path := program(tb, name)
		mux.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "application/wasm")
			w.Header().Set("Cache-Control", "max-age=3600")
			http.ServeFile(w, r, path)
		})
	}
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.count[r.In.URL.Path]++
			u, err := url.Parse(f.desk.base)
			if err != nil || f.cut {
				u = &url.URL{Scheme: "http", Host: "127.0.0.1:1"}
			}
			r.SetURL(u)
			for _, h := range []string{"Origin", "Sec-Fetch-Site", "Sec-Fetch-Mode", "Sec-Fetch-Dest", "Referer"} {
				r.Out.Header.Del(h)
			}
		},
		Transport:    &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, DialContext: f.dial},
		ErrorHandler: func(w http.ResponseWriter, _ *http.Request, _ error) { w.WriteHeader(http.StatusBadGateway) },
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		if !f.hooked(w, r) {
			proxy.ServeHTTP(w, r)
		}
	})
	f.Server = httptest.NewServer(mux)
	tb.Cleanup(func() {
		f.setStall(false)
		f.setCut(true)
		f.Close()
	})
	return f
}

func (f *front) dial(ctx context.Context, network, address string) (net.Conn, error) {
	var d net.Dialer
	c, err := d.DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	t := tracked{c, f}
	f.conns[t] = true
	return t, nil
}

type tracked struct {
	net.Conn
	f *front
}

func (t tracked) Close() error {
	t.f.mu.Lock()
	delete(t.f.conns, t)
	t.f.mu.Unlock()
	return t.Conn.Close()
}

// asked counts the requests of a path that went on to the desk.
func (f *front) asked(path string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.count[path]
}

// setStall lets the way swallow what is sent, without ending any connection, until it is healed.
func (f *front) setStall(stalled bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if stalled {
		f.stall = make(chan struct{})
	} else if f.stall != nil {
		close(f.stall)
		f.stall = nil
	}
}

func (f *front) stalled() {
	f.mu.Lock()
	c := f.stall
	f.mu.Unlock()
	if c != nil {
		<-c
	}
}

// Read waits while the way is stalled.
func (t tracked) Read(b []byte) (int, error) {
	n, err := t.Conn.Read(b)
	t.f.stalled()
	return n, err
}

// Write waits while the way is stalled.
func (t tracked) Write(b []byte) (int, error) {
	t.f.stalled()
	return t.Conn.Write(b)
}

// setCut cuts the way to the desk, with all connections, or heals it.
func (f *front) setCut(cut bool) {
	f.mu.Lock()
	f.cut = cut
	list := f.conns
	if cut {
		f.conns = map[net.Conn]bool{}
	}
	f.mu.Unlock()
	if cut {
		for c := range list {
			_ = c.(tracked).Conn.Close()
		}
	}
}

// lead leads to another desk from now on.
func (f *front) lead(d *desk) {
	f.mu.Lock()
	f.desk = d
	f.mu.Unlock()
	f.setCut(true)
	f.setCut(false)
}

// phone opens the recorder in a browser.
func (f *front) phone(b *chromium.Browser, query string) *chromium.Page {
	p := b.Open(f.URL + "/" + query)
	p.Do("await ready", nil)
	return p
}

// join pairs a phone with the desk and waits until the ledger is there.
func join(tb testing.TB, d *desk, page *chromium.Page, name string) {
	tb.Helper()
	p := d.pair()
	var met struct{ Digits, Shop string }
	page.Do(fmt.Sprintf("return countback.pair(%q, %q)", p.link, name), &met)
	if _, err := fmt.Fprintln(p.in, met.Digits); err != nil {
		tb.Fatal(err)
	}
	page.Do(`await until("paired", () => heard.find(([name]) => name === "paired"));
		await until("the ledger is there", async () => (await countback.open()).ready)`, nil)
	if err := p.cmd.Wait(); err != nil {
		tb.Errorf("pair: %v", err)
	}
}

// eventually waits until something holds.
func eventually(tb testing.TB, what string, holds func() bool) {
	tb.Helper()
	const patience = 40 * time.Second
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if holds() {
			return
		}
	}
	tb.Fatalf("waited in vain until %s", what)
}

// handedOver saves the page's hand-over file and returns its path.
func handedOver(t *testing.T, page *chromium.Page) string {
	t.Helper()
	var text string
	page.Do(`const bytes = new Uint8Array(await (await countback.handover()).arrayBuffer());
		let out = "";
		for (const b of bytes) out += String.fromCharCode(b);
		return btoa(out)`, &text)
	raw, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "phone.handover")
	if err := os.WriteFile(path, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
