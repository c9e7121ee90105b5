package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

const pagesPattern = `(http://127\.0\.0\.1:\d+/enter\?token=\S+)`

// visitor is a browser without a window at the pages of a running serve.
type visitor struct {
	t    *testing.T
	base string
	http *http.Client
}

// visit lets a visitor in with the address that a command has printed.
func visit(t *testing.T, k *talk) *visitor {
	t.Helper()
	return enter(t, k.hear(pagesPattern))
}

func enter(t *testing.T, address string) *visitor {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	v := &visitor{t, address[:strings.Index(address, "/enter")], &http.Client{Jar: jar, Timeout: 2 * time.Minute}}
	if status, body := v.get(strings.TrimPrefix(address, v.base)); status != http.StatusOK || !strings.Contains(body, "let in") {
		t.Fatalf("%d %s", status, body)
	}
	return v
}

func (v *visitor) read(res *http.Response, err error) (int, string) {
	v.t.Helper()
	if err != nil {
		v.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return res.StatusCode, string(b)
}

func (v *visitor) get(path string) (int, string) {
	v.t.Helper()
	return v.read(v.http.Get(v.base + path))
}

func (v *visitor) post(path string, pairs ...string) (int, string) {
	v.t.Helper()
	form := url.Values{}
	for _, p := range pairs {
		name, value, _ := strings.Cut(p, "=")
		form.Add(name, value)
	}
	return v.read(v.http.PostForm(v.base+path, form))
}

// sees waits until a page says something.
func (v *visitor) sees(path, pattern string) string {
	v.t.Helper()
	re := regexp.MustCompile(pattern)
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		_, body := v.get(path)
		if m := re.FindStringSubmatch(body); m != nil {
			return m[len(m)-1]
		}
		if time.Now().After(end) {
			v.t.Fatalf("%s doesn't say %q:\n%s", path, pattern, body)
		}
	}
}

// aShop is a folder with a small shop.
func aShop(t *testing.T) string {
	t.Helper()
	data := filepath.Join(t.TempDir(), "shop")
	onFolder(t, data, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	onFolder(t, data, "item", "board", "--name", "Backing board", "--type", "supply", "--unit", "each")
	onFolder(t, data, "item", "fern-card", "--name", "Fern card", "--type", "good", "--unit", "each")
	onFolder(t, data, "restock", "board", "300", "--cost", "60")
	return data
}

// The desk's door opens to its own address, its own pages and the browser that traded the token, and to nobody else.
func TestDeskDoors(t *testing.T) {
	t.Parallel()
	data := aShop(t)
	k := serveOn(t, data, "--pages", "0")
	address := k.hear(pagesPattern)
	door := k.hear(`is open at (https://\S+) for`)
	v := enter(t, address)
	u, err := url.Parse(v.base)
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(u.Host)
	cookies := v.http.Jar.Cookies(u)
	if len(cookies) != 1 || cookies[0].Name != "countback-"+port {
		t.Fatalf("cookies %v", cookies)
	}
	ask := func(method, path string, change func(*http.Request)) *http.Response {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, v.base+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.AddCookie(cookies[0])
		if change != nil {
			change(req)
		}
		client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		res, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	host := func(h string) func(*http.Request) { return func(r *http.Request) { r.Host = h } }
	header := func(name, value string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(name, value) }
	}
	for _, c := range []struct {
		rule, method, path string
		change             func(*http.Request)
		want               int
	}{
		{"its own address", "GET", "/", nil, 200},
		{"its own name", "GET", "/", host("localhost:" + port), 200},
		{"another name that leads here", "GET", "/", host("fennimoor.test:" + port), 421},
		{"its address without the port", "GET", "/", host("127.0.0.1"), 421},
		{"another port's address", "GET", "/", host("127.0.0.1:1"), 421},
		{"the machine's IPv6 address", "GET", "/", host("[::1]:" + port), 421},
		{"a name that ends like it", "GET", "/", host("localhost.fennimoor.test:" + port), 421},
		{"without the cookie", "GET", "/", func(r *http.Request) { r.Header.Del("Cookie") }, 403},
		{"a form without the cookie", "POST", "/devices/pair", func(r *http.Request) { r.Header.Del("Cookie") }, 403},
		{"the live stream without the cookie", "GET", "/live", func(r *http.Request) { r.Header.Del("Cookie") }, 403},
		{"a cookie that nobody gave", "GET", "/ledger", header("Cookie", cookies[0].Name+"=AAAAAAAAAAAAAAAAAAAAAA"), 403},
		{"a form of another site", "POST", "/devices/pair", header("Sec-Fetch-Site", "cross-site"), 403},
		{"a form of another port of this machine", "POST", "/devices/pair", header("Origin", "http://127.0.0.1:1"), 403},
		{"a form of nobody's origin", "POST", "/devices/pair", header("Origin", "null"), 403},
		{"an address that isn't there", "GET", "/nothing/here", nil, 404},
		{"the token by another method", "POST", "/enter", nil, 405},
		{"a token that nobody gave", "GET", "/enter?token=AAAAAAAAAAAAAAAAAAAAAA", func(r *http.Request) { r.Header.Del("Cookie") }, 403},
		{"a token that was traded", "GET", strings.TrimPrefix(address, v.base), func(r *http.Request) { r.Header.Del("Cookie") }, 403},
		{"the token's address again, in the browser that has the cookie", "GET", strings.TrimPrefix(address, v.base), nil, 303},
		{"what the phones' door has isn't here", "GET", "/nats", nil, 404},
	} {
		res := ask(c.method, c.path, c.change)
		if res.StatusCode != c.want {
			b, _ := io.ReadAll(res.Body)
			t.Errorf("%s: %d, want %d: %.300s", c.rule, res.StatusCode, c.want, b)
		}
		if p := res.Header.Get("Content-Security-Policy"); !strings.HasPrefix(p, "default-src 'none'; script-src 'self'; style-src 'self'") || !strings.Contains(p, "frame-ancestors 'none'") {
			t.Errorf("%s: policy %q", c.rule, p)
		}
		if c.path == "/" && res.StatusCode == 200 && res.Header.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: a page may be kept by the browser", c.rule)
		}
	}
	// Each browser that was let in makes room for another one.
	next := k.hear(`(?s)For another one:\s+` + pagesPattern)
	if enter(t, next); next == address {
		t.Error("one address let in two browsers")
	}
	// The phones' door serves nothing of the desk.
	insecure := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
	for _, path := range []string{"/ledger", "/devices", "/static/style/desk.css", "/enter", "/live"} {
		res, err := insecure.Get(door + path)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := io.ReadAll(res.Body)
		res.Body.Close()
		if res.StatusCode == http.StatusOK && (strings.Contains(string(b), "desk.css") || strings.Contains(string(b), "Backing board")) {
			t.Errorf("the phones' door serves %s: %.200s", path, b)
		}
	}
}

// A page in the browser is no page if it holds a script or a style of its own, or asks for anything elsewhere.
func TestPagesBringNothingAlong(t *testing.T) {
	t.Parallel()
	data := aShop(t)
	v := visit(t, serveOn(t, data, "--pages", "0"))
	bad := regexp.MustCompile(`(?i)<style|<script[^>]*>[^<]|\sstyle="|\son[a-z]+="|(?:src|href|action)="(?:https?:)?//`)
	assets := regexp.MustCompile(`(?:src|href)="(/static/[^"]+)"`)
	seen := map[string]bool{}
	for _, path := range deskPaths {
		path = strings.NewReplacer("stiffener", "board", "/event/EVENT", "/event/none").Replace(path)
		_, body := v.get(path)
		if m := bad.FindString(body); m != "" {
			t.Errorf("%s: %s", path, m)
		}
		for _, m := range assets.FindAllStringSubmatch(body, -1) {
			seen[m[1]] = true
		}
	}
	for a := range seen {
		if status, body := v.get(a); status != http.StatusOK || body == "" {
			t.Errorf("%s: %d", a, status)
		}
	}
	if len(seen) < 4 {
		t.Errorf("only %d files of style and script", len(seen))
	}
}

// A folder without a ledger is served: the shop is founded in the browser, and the same serve goes on with it.
func TestFoundInTheBrowser(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "new")
	k := start(t, data, nil, "serve", "--listen", "127.0.0.1", "--port", freePort(t), "--pages", "0")
	v := visit(t, k)
	if status, body := v.get("/ledger"); status != http.StatusOK || !strings.Contains(body, "found your shop") {
		t.Fatalf("%d %s", status, body)
	}
	if _, err := os.Lstat(data); err == nil {
		t.Error("the folder was made before the shop was founded")
	}
	typed := []string{"shop=Fennimoor Paper", "currency=cad", "zone=America/Halifax", "costing=fifo", "device=bench desk"}
	for _, c := range []struct{ field, value, want string }{
		{"shop", "", "it is missing"}, {"currency", "ZZZ", "not a currency known here"}, {"currency", "", "it is missing"}, {"zone", "Mars/Olympus", "not a time zone"}, {"device", "", "no name for a desk"},
	} {
		form := append([]string{}, typed...)
		for i := range form {
			if strings.HasPrefix(form[i], c.field+"=") {
				form[i] = c.field + "=" + c.value
			}
		}
		status, body := v.post("/start", form...)
		if status != http.StatusUnprocessableEntity || !strings.Contains(body, c.want) {
			t.Errorf("%s %q: %d, not %q:\n%s", c.field, c.value, status, c.want, body)
		}
		if c.field != "shop" && !strings.Contains(body, `value="Fennimoor Paper"`) {
			t.Errorf("%s %q: what was typed is gone", c.field, c.value)
		}
		if !regexp.MustCompile(`name="` + c.field + `"[^>]*aria-invalid="true"`).MatchString(body) {
			t.Errorf("%s %q: the error doesn't stand at its field", c.field, c.value)
		}
	}
	if status, body := v.post("/start", typed...); status != http.StatusOK || !strings.Contains(body, "Set the shop up") {
		t.Fatalf("%d %s", status, body)
	}
	if status, body := v.post("/start", typed...); status != http.StatusOK || !strings.Contains(body, "Set the shop up") {
		t.Fatalf("sent twice: %d %s", status, body)
	}
	k.hear(`is open at (https://\S+) for`)
	v.sees("/", `isn&#39;t set up yet; next: say what you sell and use`)
	out := onFolder(t, data, "status", "--json")
	var s status
	if err := json.Unmarshal([]byte(out), &s); err != nil || s.Shop != "Fennimoor Paper" || !s.Serving {
		t.Errorf("%v %s", err, out)
	}
	if out := onFolder(t, data, "devices", "--json"); !strings.Contains(out, `"bench desk"`) {
		t.Error(out)
	}
	if _, body := v.get("/devices"); !strings.Contains(body, "open at") {
		t.Error("the page doesn't say that the door is open")
	}
	k.stop()
}

// The demo that is opened to look around is another ledger at another address, and gone afterwards.
func TestDemoIsApart(t *testing.T) {
	t.Parallel()
	data := aShop(t)
	k := serveOn(t, data, "--pages", "0")
	v := visit(t, k)
	before := onFolder(t, data, "export", "events")
	status, body := v.post("/start/demo")
	m := regexp.MustCompile(`href="(http://127[^"]+)"`).FindStringSubmatch(body)
	if status != http.StatusOK || m == nil {
		t.Fatalf("%d %s", status, body)
	}
	demo := enter(t, m[1])
	if demo.base == v.base {
		t.Error("the demo is at the shop's own address")
	}
	if _, body := demo.get("/items"); !strings.Contains(body, "Nothing here is yours") || !strings.Contains(body, "stiffener") {
		t.Error("the demo doesn't say what it is")
	}
	folder := demo.sees("/devices", `<code>([^<]*countback-demo-[^<]*)</code>`)
	if after := onFolder(t, data, "export", "events"); after != before {
		t.Error("the demo reached the shop's ledger")
	}
	k.stop()
	if _, err := os.Lstat(folder); err == nil {
		t.Errorf("%s is still there", folder)
	}
}

// Open pages hear of what another process records, at once and again when the figures are there.
func TestLive(t *testing.T) {
	t.Parallel()
	data := aShop(t)
	v := visit(t, serveOn(t, data, "--pages", "0"))
	before := v.sees("/item/board", `data-version="(\d+)"`)
	ctx, stop := context.WithTimeout(t.Context(), 2*time.Minute)
	defer stop()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, v.base+"/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := v.http.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if kind := res.Header.Get("Content-Type"); kind != "text/event-stream" {
		t.Fatal(kind)
	}
	lines := bufio.NewScanner(res.Body)
	next := func(event string) string {
		t.Helper()
		for lines.Scan() {
			if lines.Text() == "event: "+event && lines.Scan() {
				return strings.TrimPrefix(lines.Text(), "data: ")
			}
		}
		t.Fatalf("the stream ended before %s: %v", event, lines.Err())
		return ""
	}
	if first := next("look"); first != before {
		t.Errorf("the stream begins with look %s, the page has %s", first, before)
	}
	onFolder(t, data, "damage", "board", "4", "--reason", "spoiled", "--note", "<b>wet</b>")
	var news struct {
		Text   string            `json:"text"`
		OnHand map[string]string `json:"on_hand"`
	}
	for range 2 {
		if err := json.Unmarshal([]byte(next("arrived")), &news); err != nil {
			t.Fatal(err)
		}
	}
	if !strings.Contains(news.Text, "Write-off: 4 × board, spoiled") || news.OnHand["board"] != "296" {
		t.Errorf("%+v", news)
	}
	after := next("look")
	if after == before {
		t.Error("the look is the one before")
	}
	_, body := v.get("/item/board")
	if !strings.Contains(body, `data-version="`+after+`"`) || !strings.Contains(body, `data-stock="board">296<`) {
		t.Errorf("the page doesn't show look %s:\n%s", after, body)
	}
}

// A second desk joins by a code of the page, and is revoked there.
func TestDevicesByPage(t *testing.T) {
	t.Parallel()
	data := aShop(t)
	v := visit(t, serveOn(t, data, "--pages", "0"))
	if status, body := v.post("/devices/pair"); status != http.StatusOK || !strings.Contains(body, "Scan this") {
		t.Fatalf("%d %s", status, body)
	}
	link := v.sees("/devices/pair", `(https://[^<\s]+/#pair/[^<\s]+)`)
	second := filepath.Join(t.TempDir(), "second")
	join := start(t, second, nil, "pair", "--join", link, "--device", "attic")
	digits := join.hear(`Type these digits at the desk of Fennimoor Paper: (\d{3} \d{3})`)
	v.sees("/devices/pair", `The desk “attic” wants to join`)
	wrong := "000000"
	if digits == "000 000" {
		wrong = "000001"
	}
	if status, body := v.post("/devices/pair/digits", "digits="+wrong); status != http.StatusUnprocessableEntity || !strings.Contains(body, "Once more is allowed") {
		t.Errorf("%d %s", status, body)
	}
	if status, body := v.post("/devices/pair/digits", "digits="+digits); status != http.StatusOK {
		t.Errorf("%d %s", status, body)
	}
	if s := join.end(); s != 0 {
		t.Fatal(join.all())
	}
	v.sees("/devices/pair", `belongs to the shop now`)
	v.sees("/devices", `attic`)
	var r devicesReport
	if err := json.Unmarshal([]byte(onFolder(t, data, "devices", "--json")), &r); err != nil || len(r.Devices) != 2 {
		t.Fatal(err, r)
	}
	attic := r.Devices[0]
	if attic.This {
		attic = r.Devices[1]
	}
	page := "/devices/revoke/" + attic.Device
	v.sees(page, `Its last entries`)
	for _, c := range []struct{ last, reason, want string }{{"x", "lost", "give the number"}, {"99", "lost", "none of its events that are here"}, {"1", "", "say why"}} {
		status, body := v.post(page, "whole=false", "last="+c.last, "reason="+c.reason)
		if status != http.StatusUnprocessableEntity || !strings.Contains(body, c.want) || !strings.Contains(body, `value="`+c.last+`"`) {
			t.Errorf("%+v: %d %s", c, status, body)
		}
	}
	if status, body := v.post(page, "whole=true", "reason=left on the train"); status != http.StatusOK {
		t.Errorf("%d %s", status, body)
	}
	v.sees("/devices", `revoked after its entry 1`)
	if status, body := v.get("/ledger?kind=revoke"); status != http.StatusOK || !strings.Contains(body, "left on the train") {
		t.Errorf("%d %s", status, body)
	}
}

// What the page saves is what the commands take: a backup that is restored, a hand-over that is taken in.
func TestSavedByPage(t *testing.T) {
	t.Parallel()
	data := aShop(t)
	v := visit(t, serveOn(t, data, "--pages", "0"))
	if status, body := v.post("/devices/backup", "passphrase=a heron at dawn", "again=a heron at dusk"); status != http.StatusUnprocessableEntity || !strings.Contains(body, "differ") {
		t.Errorf("%d %.300s", status, body)
	}
	dir := t.TempDir()
	keep := func(name, body string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	_, body := v.post("/devices/backup", "passphrase=a heron at dawn", "again=a heron at dawn")
	phrase := keep("phrase.txt", "a heron at dawn\n")
	onFolder(t, filepath.Join(dir, "restored"), "restore", keep("shop.backup", body), "--passphrase-file", phrase)
	if out := onFolder(t, filepath.Join(dir, "restored"), "stock", "--json"); !strings.Contains(out, `"300"`) {
		t.Error(out)
	}
	if out := onFolder(t, data, "status", "--json"); !strings.Contains(out, `"last_backup"`) {
		t.Error("status doesn't know of the backup")
	}
	_, body = v.post("/devices/handover")
	onFolder(t, filepath.Join(dir, "survivor"), "init", "--from", keep("shop.handover", body))
	key, err := os.ReadFile(filepath.Join(data, keyFile))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains([]byte(body), bytes.TrimSpace(key)) {
		t.Error("the hand-over holds the key")
	}
}
