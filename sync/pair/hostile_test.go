package pair_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"countback/ledger/key"
	"countback/ledger/store"
	"countback/sync/authority"
	"countback/sync/handover"
	"countback/sync/pair"
)

// send sends a body to the door without TLS, as its handler sees it, and returns the answer.
func (h *house) send(method, path, body string, head ...string) *httptest.ResponseRecorder {
	h.t.Helper()
	r := httptest.NewRequest(method, "https://countback-test.local"+path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	h.doors.Handler().ServeHTTP(w, r)
	return w
}

func helloBody(code pair.Code, k *key.Key, nonce string) string {
	sum := sha256.Sum256([]byte(nonce))
	return fmt.Sprintf(`{"code":%q,"key":%q,"name":"pocket","role":"phone","commitment":%q}`, code.Text(), k.Public(), hex.EncodeToString(sum[:]))
}

func nonce() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails
	return base64.RawURLEncoding.EncodeToString(b[:])
}

func TestMessagesThatArentRead(t *testing.T) {
	h := newHouse(t)
	code, phone := h.code(), newKey(t)
	good := helloBody(code, phone, nonce())
	for name, body := range map[string]string{
		"nothing":            "",
		"no object":          "[]",
		"two objects":        good + good,
		"an unknown member":  strings.Replace(good, "{", `{"more":1,`, 1),
		"a member twice":     strings.Replace(good, "{", `{"role":"desk",`, 1),
		"another case":       strings.Replace(good, `"role"`, `"Role"`, 1),
		"no role":            strings.Replace(good, `"phone"`, `"keeper"`, 1),
		"no name":            strings.Replace(good, `"pocket"`, `""`, 1),
		"a cursor in a name": strings.Replace(good, `"pocket"`, `"a\u001b[2J"`, 1),
		"a long name":        strings.Replace(good, `pocket`, strings.Repeat("x", 101), 1),
		"no key":             strings.Replace(good, phone.Public(), "U", 1),
		"no commitment":      strings.Replace(good, `"commitment":"`, `"commitment":"x`, 1),
		"too long":           strings.Replace(good, "{", "{"+strings.Repeat(" ", 5000), 1),
	} {
		h.clock.on(time.Minute / 4)
		if w := h.send("POST", "/pair/hello", body); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
	}
	for _, c := range []struct {
		method, path, head, value string
		status                    int
	}{
		{"GET", "/pair/hello", "", "", http.StatusMethodNotAllowed},
		{"POST", "/pair/hello", "Content-Type", "text/plain", http.StatusBadRequest},
		{"POST", "/pair/hello", "Sec-Fetch-Site", "cross-site", http.StatusForbidden},
		{"POST", "/pair/hello", "Origin", "https://example.org", http.StatusForbidden},
		{"POST", "/pair/other", "", "", http.StatusNotFound},
	} {
		h.clock.on(5 * time.Second)
		var head []string
		if c.head != "" {
			head = []string{c.head, c.value}
		}
		if w := h.send(c.method, c.path, good, head...); w.Code != c.status {
			t.Errorf("%v: %d", c, w.Code)
		}
	}
	if w := h.send("POST", "/pair/hello", good); w.Code != http.StatusOK {
		t.Errorf("the good one: %d %s", w.Code, w.Body)
	}
}

// Whatever single byte is changed on the way: no one is admitted, and the pairing at most ends.
func TestFlippedBytesAdmitNobody(t *testing.T) {
	h := newHouse(t)
	phone := newKey(t)
	for i := 0; ; i++ {
		h.clock.on(10 * time.Second)
		code, n := h.code(), nonce()
		hello := []byte(helloBody(code, phone, n))
		if i == len(hello) {
			break
		}
		hello[i] ^= 1
		if w := h.send("POST", "/pair/hello", string(hello)); w.Code == http.StatusOK {
			// A letter of the name, say: but what was announced can't be taken back.
			if w := h.send("POST", "/pair/hello", helloBody(code, phone, n)); w.Code != http.StatusConflict {
				t.Fatalf("byte %d: %d", i, w.Code)
			}
		}
	}
	code := h.code()
	m := h.meet(code, phone, "pocket", "phone")
	reveal := fmt.Sprintf(`{"code":%q,"key":%q,"nonce":%q,"signature":"x"}`, code.Text(), phone.Public(), nonce())
	if w := h.send("POST", "/pair/reveal", reveal); w.Code != http.StatusForbidden {
		t.Error("another nonce after the digits were shown:", w.Code)
	}
	want(t, h.desk.Confirm(ctx, code, m.Digits(), h.key), nil, "the first nonce still counts")
}

func TestWhoDoesntHoldToItsCommitment(t *testing.T) {
	h := newHouse(t)
	phone := newKey(t)
	for name, change := range map[string]func(n, sig string) (string, string){
		"another nonce":      func(_, sig string) (string, string) { return nonce(), sig },
		"no nonce":           func(_, sig string) (string, string) { return "", sig },
		"a flipped nonce":    func(n, sig string) (string, string) { return "A" + n[1:], sig },
		"no signature":       func(n, _ string) (string, string) { return n, "" },
		"another signature":  func(n, sig string) (string, string) { return n, strings.Repeat("A", len(sig)) },
		"a key it isn't its": func(n, sig string) (string, string) { return n, sig },
	} {
		h.clock.on(10 * time.Second)
		code, n := h.code(), "B"+nonce()[1:]
		w := h.send("POST", "/pair/hello", helloBody(code, phone, n))
		_, deskNonce, _ := strings.Cut(w.Body.String(), `"nonce":"`)
		payload := strings.Join([]string{h.shop, h.key.Public(), phone.Public(), strings.TrimSuffix(deskNonce, `"}`), n}, "\n")
		signer := phone
		if strings.HasPrefix(name, "a key") {
			signer = newKey(t)
		}
		sig, err := signer.Sign(key.Pair, []byte(payload))
		if err != nil {
			t.Fatal(err)
		}
		told, sig := change(n, sig)
		w = h.send("POST", "/pair/reveal", fmt.Sprintf(`{"code":%q,"key":%q,"nonce":%q,"signature":%q}`, code.Text(), phone.Public(), told, sig))
		v, err := h.desk.View(ctx, code)
		if w.Code != http.StatusForbidden || err != nil || v.Phase != pair.Ended {
			t.Errorf("%s: %d %s, then %s, %v", name, w.Code, w.Body, v.Phase, err)
		}
	}
}

// One who floods the door is refused; nothing is written, and another address is still heard.
func TestAFloodIsBounded(t *testing.T) {
	h := newHouse(t)
	code, phone := h.code(), newKey(t)
	wrong, err := pair.NewCode(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	writes := &counting{Store: h.st}
	h.desk.Store = writes
	busy := 0
	for range 1000 {
		if w := h.send("POST", "/pair/hello", helloBody(wrong, phone, nonce())); w.Code == http.StatusTooManyRequests {
			busy++
		} else if w.Code != http.StatusForbidden {
			t.Fatal(w.Code)
		}
	}
	if busy < 980 || writes.n != 0 {
		t.Errorf("%d of 1000 refused, %d writes", busy, writes.n)
	}
	h.meet(code, phone, "pocket", "phone") // from another address
	// From very many addresses all together are bounded.
	h.clock.on(time.Minute)
	busy = 0
	for i := range 5000 {
		r := httptest.NewRequest("POST", "https://countback-test.local/pair/hello", strings.NewReader("{}"))
		r.RemoteAddr = fmt.Sprintf("10.0.%d.%d:99", i/256, i%256)
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		h.doors.Handler().ServeHTTP(w, r)
		if w.Code == http.StatusTooManyRequests {
			busy++
		}
	}
	h.clock.on(2 * time.Second)
	if w := h.send("POST", "/pair/hello", "{}"); w.Code == http.StatusTooManyRequests {
		t.Error("the door doesn't recover from a flood")
	}
}

// counting counts the writes.
type counting struct {
	store.Store
	n int
}

func (c *counting) Write(ctx context.Context, fn func(store.Tx) error) error {
	c.n++
	return c.Store.Write(ctx, fn)
}

func TestADownloadIsForWhoSignsItsChallenge(t *testing.T) {
	h := newHouse(t)
	second := newKey(t)
	h.join(second, "attic", "desk")
	challenge := func() string {
		h.clock.on(5 * time.Second)
		w := h.send("GET", pair.PathHandover, "")
		if w.Code != http.StatusUnauthorized {
			t.Fatal(w.Code)
		}
		return w.Header().Get("Countback-Challenge")
	}
	answer := func(k *key.Key, device, c string) string {
		sig, err := k.Sign(key.Nonce, []byte(c))
		if err != nil {
			t.Fatal(err) // what it isn't allowed to sign, it mustn't be asked for
		}
		return "Countback " + device + " " + c + " " + sig
	}
	get := func(auth string) int {
		h.clock.on(time.Second)
		return h.send("GET", pair.PathHandover, "", "Authorization", auth).Code
	}
	c := challenge()
	good := answer(second, second.Device(), c)
	if got := get(good); got != http.StatusOK {
		t.Fatal("a member:", got)
	}
	if got := get(good); got != http.StatusForbidden {
		t.Error("the same answer again:", got)
	}
	c = challenge()
	h.clock.on(2 * time.Minute)
	if got := get(answer(second, second.Device(), c)); got != http.StatusForbidden {
		t.Error("after two minutes:", got)
	}
	c = challenge()
	if got := get(answer(newKey(t), second.Device(), c)); got != http.StatusForbidden {
		t.Error("another's key:", got)
	}
	if got := get(answer(second, h.key.Device(), c)); got != http.StatusForbidden {
		t.Error("in another's name:", got)
	}
	if got := get(answer(second, second.Device(), nonce()+nonce()[:21])); got != http.StatusForbidden {
		t.Error("a challenge that nobody has made:", got)
	}
	for _, bad := range []string{"Countback", "Countback ", "Countback a b", "Countback a b c d", "Basic eDp5"} {
		if got := get(bad); got == http.StatusOK {
			t.Error(bad, got)
		}
	}
}

// The plain port says how the desk is trusted while a pairing is open, and holds nothing else.
func TestThePlainPort(t *testing.T) {
	h := newHouse(t)
	trust := pair.Trust(h.auth, h.desk)
	get := func(method, path string) *httptest.ResponseRecorder {
		h.clock.on(time.Second)
		w := httptest.NewRecorder()
		trust.ServeHTTP(w, httptest.NewRequest(method, "http://192.0.2.7"+path, nil))
		return w
	}
	for _, path := range []string{"/", "/countback.crt"} {
		if w := get("GET", path); w.Code != http.StatusNotFound {
			t.Error("no pairing is open:", path, w.Code)
		}
	}
	code := h.code()
	page, cert := get("GET", "/"), get("GET", "/countback.crt")
	if page.Code != http.StatusOK || !strings.Contains(page.Body.String(), h.auth.Fingerprint()) || strings.Contains(page.Body.String(), "<script") ||
		!strings.Contains(page.Header().Get("Content-Security-Policy"), "default-src 'none'") || strings.Contains(page.Body.String(), code.Text()) {
		t.Error(page.Code, page.Body, page.Header())
	}
	if !bytes.Equal(cert.Body.Bytes(), h.auth.Certificate()) || authority.PinOf(cert.Body.Bytes()) != h.auth.Pin() {
		t.Error("another certificate")
	}
	for _, path := range []string{"/pair/hello", "/handover", "/nats", "/stock", "/countback.key"} {
		if w := get("GET", path); w.Code != http.StatusNotFound {
			t.Error(path, w.Code)
		}
	}
	if w := get("POST", "/"); w.Code != http.StatusMethodNotAllowed {
		t.Error("POST:", w.Code)
	}
	h.clock.on(pair.Lasts)
	if w := get("GET", "/"); w.Code != http.StatusNotFound {
		t.Error("after the pairing:", w.Code)
	}
}

// What somebody must not learn is planted, and looked for in everything that leaves: answers, errors, notes, hand-over files, prints.
func TestSecretsStayWhereTheyAre(t *testing.T) {
	h := newHouse(t)
	phone := newKey(t)
	code := h.code()
	seed, err := h.key.Seed()
	if err != nil {
		t.Fatal(err)
	}
	phoneSeed, err := phone.Seed()
	if err != nil {
		t.Fatal(err)
	}
	var left strings.Builder
	link := pair.Link{Base: h.base, Code: code, Pin: h.auth.Pin()}
	fmt.Fprintf(&left, "%v %+v %#v %s %q %x %d %v %+v %#v", code, code, code, code, code, code, code, link, &link, link)
	if js, err := code.MarshalText(); err != nil {
		t.Fatal(err)
	} else {
		left.Write(js)
	}
	m := h.meet(code, phone, "pocket", "phone")
	fmt.Fprintf(&left, "%+v", m.Agreement)
	for _, path := range []string{"/pair/hello", "/pair/reveal", "/pair/answer", "/pair/endorse", "/pair/admit"} {
		h.clock.on(5 * time.Second)
		for _, body := range []string{helloBody(code, newKey(t), nonce()), `{"code":"` + code.Text() + `"}`, code.Text(), string(seed)} {
			left.WriteString(h.send("POST", path, body).Body.String())
		}
	}
	_, err = h.client(h.auth.Pin()).Meet(ctx, code, newKey(t), "x", "phone")
	fmt.Fprintf(&left, "%v %+v", err, err)
	away := pair.NewClient("https://127.0.0.1:1", h.auth.Pin(), "", h.clock.Now, nil, rand.Reader)
	_, err = away.Meet(ctx, code, phone, "x", "phone")
	want(t, err, pair.ErrReach, "nobody answers")
	fmt.Fprintf(&left, "%v %+v", err, err)
	if _, err := pair.ParseLink(link.Text() + "x"); err == nil {
		t.Error("a longer link")
	} else {
		left.WriteString(err.Error())
	}
	if err := h.desk.Confirm(ctx, code, m.Digits(), h.key); err != nil {
		t.Fatal(err)
	}
	if err := h.st.Local(ctx, "", func(name string, value []byte) error {
		fmt.Fprintf(&left, "%s %s\n", name, value)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := handover.Write(ctx, &left, h.st, handover.Head{Shop: h.shop}, nil); err != nil {
		t.Fatal(err)
	}
	key, err := h.auth.Encode()
	if err != nil {
		t.Fatal(err)
	}
	_, private, _ := strings.Cut(string(key), "BEGIN PRIVATE KEY-----\n")
	for name, secret := range map[string]string{"the code": code.Text(), "the desk's seed": string(seed), "the phone's seed": string(phoneSeed), "the authority's key": private[:40]} {
		if strings.Contains(left.String(), secret) {
			t.Errorf("%s got out", name)
		}
	}
	if len(h.said) > 0 {
		t.Error(h.said)
	}
}

// A peer that sends slowly, or without end, is let go.
func TestAPeerThatDoesntEnd(t *testing.T) {
	h := newHouse(t)
	host := strings.TrimPrefix(h.base, "https://")
	c, err := tls.Dial("tcp", host, authority.Pinned(h.auth.Pin(), h.clock.Now))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "POST /pair/hello HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 100000000\r\n\r\n")
	go func() {
		for range 1000 {
			if _, err := c.Write(bytes.Repeat([]byte(" "), 1<<16)); err != nil {
				return
			}
		}
	}()
	_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
	answer, err := io.ReadAll(c)
	if !strings.HasPrefix(string(answer), "HTTP/1.1 400") {
		t.Errorf("%q %v", answer, err)
	}
}

// Who holds connections open keeps nobody out for ever, and no more than there is room for.
func TestConnectionsAreBounded(t *testing.T) {
	h := newHouse(t)
	host := strings.TrimPrefix(h.base, "https://")
	var held []net.Conn
	for range 60 {
		c, err := net.Dial("tcp", host)
		if err != nil {
			t.Fatal(err)
		}
		held = append(held, c)
	}
	// One that was refused is at its end at once, one that is held isn't.
	var work sync.WaitGroup
	var open atomic.Int32
	for _, c := range held {
		_ = c.SetReadDeadline(time.Now().Add(2 * time.Second))
		work.Go(func() {
			if _, err := c.Read(make([]byte, 1)); errors.Is(err, os.ErrDeadlineExceeded) {
				open.Add(1)
			}
		})
	}
	work.Wait()
	if open.Load() != 48 {
		t.Errorf("%d of 60 connections of one address are held", open.Load())
	}
	for _, c := range held {
		c.Close()
	}
	for range 500 { // the door hears of their ends a moment later
		_, err := h.client(h.auth.Pin()).Meet(ctx, h.code(), newKey(t), "pocket", "phone")
		if err == nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
		h.clock.on(time.Second)
	}
	t.Error("nobody is let in after they are gone")
}
