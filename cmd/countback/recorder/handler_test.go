package recorder_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/andybalholm/brotli"

	"countback/cmd/countback/recorder"
)

const homeText = "<!doctype html><title>recorder</title>"

// folder is a small build.
func folder(t *testing.T) (fstest.MapFS, recorder.List) {
	t.Helper()
	dir := fstest.MapFS{}
	list := recorder.List{Build: "b"}
	for name, text := range map[string]string{"index.html": homeText, "icon.png": "not really one", "parts/words.js": "export {}"} {
		f := recorder.FileOf(name, []byte(text))
		list.Files = append(list.Files, f)
		if !f.Packed {
			dir["files/"+name] = &fstest.MapFile{Data: []byte(text)}
			continue
		}
		var br, gz bytes.Buffer
		b, g := brotli.NewWriter(&br), gzip.NewWriter(&gz)
		for _, w := range []io.WriteCloser{b, g} {
			if _, err := io.WriteString(w, text); err != nil || w.Close() != nil {
				t.Fatal(err)
			}
		}
		dir["files/"+name+".br"], dir["files/"+name+".gz"] = &fstest.MapFile{Data: br.Bytes()}, &fstest.MapFile{Data: gz.Bytes()}
	}
	text, err := json.Marshal(list)
	if err != nil {
		t.Fatal(err)
	}
	dir["list.json"] = &fstest.MapFile{Data: text}
	return dir, list
}

func ask(t *testing.T, h http.Handler, method, address string, head ...string) *http.Response {
	t.Helper()
	r := httptest.NewRequest(method, "https://countback-k3v7qa.local:8743"+address, nil)
	for i := 0; i < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func body(t *testing.T, r *http.Response) string {
	t.Helper()
	var from io.Reader = r.Body
	var err error
	switch r.Header.Get("Content-Encoding") {
	case "br":
		from = brotli.NewReader(from)
	case "gzip":
		from, err = gzip.NewReader(from)
	}
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(from)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestFilesInEveryForm(t *testing.T) {
	dir, _ := folder(t)
	h, err := recorder.New(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ accepts, coding string }{
		{"gzip, deflate, br", "br"}, {"gzip", "gzip"}, {"br;q=0, gzip;q=0.5", "gzip"}, {"br; q=0.0", ""}, {"", ""}, {"identity", ""},
	} {
		for _, at := range []string{"/", "/index.html"} {
			r := ask(t, h, "GET", at, "Accept-Encoding", c.accepts)
			if got := r.Header.Get("Content-Encoding"); got != c.coding {
				t.Errorf("%q: encoded as %q, want %q", c.accepts, got, c.coding)
			}
			if text := body(t, r); text != homeText || r.StatusCode != 200 || r.Header.Get("Content-Type") != "text/html; charset=utf-8" || r.Header.Get("Vary") != "Accept-Encoding" {
				t.Errorf("%q: %d %q %v", c.accepts, r.StatusCode, text, r.Header)
			}
		}
	}
	if r := ask(t, h, "GET", "/icon.png", "Accept-Encoding", "br"); body(t, r) != "not really one" || r.Header.Get("Content-Encoding") != "" {
		t.Error(r.Header)
	}
	if r := ask(t, h, "HEAD", "/parts/words.js"); body(t, r) != "" || r.Header.Get("Content-Length") != "9" {
		t.Error(r.Header)
	}
}

func TestHowLongFilesAreKept(t *testing.T) {
	dir, list := folder(t)
	h, err := recorder.New(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list.Files {
		r := ask(t, h, "GET", "/"+f.Path, "Accept-Encoding", "br")
		if r.Header.Get("Cache-Control") != "no-cache" {
			t.Error(f.Path, r.Header)
		}
		tag := r.Header.Get("ETag")
		if again := ask(t, h, "GET", "/"+f.Path, "Accept-Encoding", "br", "If-None-Match", `"other", W/`+tag); again.StatusCode != http.StatusNotModified || body(t, again) != "" {
			t.Errorf("%s: %d", f.Path, again.StatusCode)
		}
		if other := ask(t, h, "GET", "/"+f.Path, "If-None-Match", `"other"`); other.StatusCode != 200 {
			t.Errorf("%s: %d", f.Path, other.StatusCode)
		}
		if r := ask(t, h, "GET", "/"+f.Path+"?"+f.Hash); r.StatusCode != 200 || !strings.Contains(r.Header.Get("Cache-Control"), "immutable") {
			t.Error(f.Path, r.Header)
		}
		// A file of another build isn't given out in the place of the one that was asked for.
		if r := ask(t, h, "GET", "/"+f.Path+"?"+strings.Repeat("0", 64)); r.StatusCode != 404 {
			t.Errorf("%s of another build: %d", f.Path, r.StatusCode)
		}
	}
}

func TestEveryAnswerIsGuarded(t *testing.T) {
	dir, _ := folder(t)
	built, err := recorder.New(dir)
	if err != nil {
		t.Fatal(err)
	}
	bare, err := recorder.New(fstest.MapFS{"ABOUT.txt": {}})
	if err != nil {
		t.Fatal(err)
	}
	for name, h := range map[string]http.Handler{"built": built, "not built": bare} {
		for _, c := range []struct{ method, at string }{{"GET", "/"}, {"GET", "/nothing"}, {"POST", "/"}, {"GET", "/../list.json"}, {"GET", "/list.json"}} {
			r := ask(t, h, c.method, c.at)
			policy := r.Header.Get("Content-Security-Policy")
			if !strings.Contains(policy, "default-src 'self'; script-src 'self' 'wasm-unsafe-eval'; object-src 'none'; base-uri 'none'") || strings.Contains(policy, "unsafe-inline") ||
				!strings.HasSuffix(policy, "connect-src 'self' wss://countback-k3v7qa.local:8743") || r.Header.Get("X-Content-Type-Options") != "nosniff" {
				t.Errorf("%s: %s %s: %v", name, c.method, c.at, r.Header)
			}
			if c.at != "/" && r.StatusCode != 404 {
				t.Errorf("%s: %s: %d", name, c.at, r.StatusCode)
			}
		}
	}
	if r := ask(t, built, "POST", "/"); r.StatusCode != http.StatusMethodNotAllowed {
		t.Error(r.StatusCode)
	}
	r := httptest.NewRequest("GET", "/", nil)
	r.Host = "x; script-src *"
	w := httptest.NewRecorder()
	built.ServeHTTP(w, r)
	if policy := w.Header().Get("Content-Security-Policy"); strings.Contains(policy, "*") {
		t.Error(policy)
	}
}

func TestNotBuilt(t *testing.T) {
	h, err := recorder.New(fstest.MapFS{"ABOUT.txt": {}})
	if err != nil {
		t.Fatal(err)
	}
	r := ask(t, h, "GET", "/")
	if text := body(t, r); r.StatusCode != http.StatusServiceUnavailable || !strings.Contains(text, "go generate ./...") {
		t.Error(r.StatusCode, text)
	}
}

func TestHalfABuildIsRefused(t *testing.T) {
	for _, gone := range []string{"files/index.html.br", "files/index.html.gz", "files/icon.png"} {
		dir, _ := folder(t)
		delete(dir, gone)
		if _, err := recorder.New(dir); err == nil || !strings.Contains(err.Error(), "go generate") {
			t.Errorf("without %s: %v", gone, err)
		}
	}
	if _, err := recorder.New(fstest.MapFS{"list.json": {Data: []byte("{")}}); err == nil {
		t.Error("a list that can't be read was taken")
	}
}
