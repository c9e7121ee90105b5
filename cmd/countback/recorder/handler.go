package recorder

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"regexp"
	"strconv"
	"strings"
)

// served is a file in the forms that it is sent in.
type served struct {
	File
	plain, br, gz []byte // plain only where the file isn't packed
}

// handler serves one build.
type handler struct {
	build string
	files map[string]*served
}

// New returns the handler of a build: the embedded one (Built) or that of another folder. Without a list.json the handler says how the recorder is built. It
// fails where the folder doesn't hold what its list names.
func New(built fs.FS) (http.Handler, error) {
	text, err := fs.ReadFile(built, ListName)
	if errors.Is(err, fs.ErrNotExist) {
		return http.HandlerFunc(notBuilt), nil
	}
	var list List
	if err == nil {
		err = json.Unmarshal(text, &list)
	}
	if err != nil {
		return nil, fmt.Errorf("the recorder's list of files can't be read, so build it again with go generate ./...: %w", err)
	}
	h := &handler{list.Build, map[string]*served{}}
	for _, f := range list.Files {
		s := &served{File: f}
		if err := s.read(built); err != nil {
			return nil, fmt.Errorf("the recorder's file %s can't be read, so build it again with go generate ./...: %w", f.Path, err)
		}
		h.files["/"+f.Path] = s
	}
	if home, ok := h.files["/index.html"]; ok {
		h.files["/"] = home
	}
	return h, nil
}

func (s *served) read(built fs.FS) (err error) {
	name := Folder + "/" + s.Path
	if !s.Packed {
		s.plain, err = fs.ReadFile(built, name)
		return err
	}
	if s.br, err = fs.ReadFile(built, name+".br"); err != nil {
		return err
	}
	s.gz, err = fs.ReadFile(built, name+".gz")
	return err
}

// policy lets the page load and reach this door alone. Some browsers don't count a WebSocket to the page's own place as its own, so that is named.
func policy(host string) string {
	const rest = "default-src 'self'; script-src 'self' 'wasm-unsafe-eval'; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; img-src 'self' data: blob:; connect-src 'self'"
	if hostName.MatchString(host) {
		return rest + " wss://" + host
	}
	return rest
}

var hostName = regexp.MustCompile(`^(\[[0-9a-fA-F:]+\]|[0-9A-Za-z.-]+)(:[0-9]{1,5})?$`)

// guard sets what every answer says.
func guard(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy(r.Host))
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(self), microphone=(), geolocation=()")
}

func (h *handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	guard(w, r)
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		http.Error(w, "only GET and HEAD are understood here", http.StatusMethodNotAllowed)
		return
	}
	s, ok := h.files[r.URL.Path]
	if !ok || r.URL.RawQuery != "" && r.URL.RawQuery != s.Hash {
		w.Header().Set("Cache-Control", "no-store")
		http.Error(w, "there is no such file here", http.StatusNotFound)
		return
	}
	s.send(w, r)
}

func (s *served) send(w http.ResponseWriter, r *http.Request) {
	body, coding := s.form(r.Header.Get("Accept-Encoding"))
	h := w.Header()
	h.Set("Content-Type", s.Type)
	h.Set("Cache-Control", "no-cache")
	if r.URL.RawQuery == s.Hash {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	tag := `"` + s.Hash + `"`
	if coding != "" {
		tag = `"` + s.Hash + "-" + coding + `"`
	}
	if s.Packed {
		h.Set("Vary", "Accept-Encoding")
	}
	h.Set("ETag", tag)
	if matches(r.Header.Get("If-None-Match"), tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	if coding != "" {
		h.Set("Content-Encoding", coding)
	}
	if body == nil { // compressed is all that is here, and the other side reads nothing compressed
		h.Set("Content-Length", strconv.Itoa(s.Size))
		if r.Method == http.MethodGet {
			s.unpack(w)
		}
		return
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if r.Method == http.MethodGet {
		_, _ = w.Write(body) // who went away doesn't want it
	}
}

// form chooses what is sent, by what the other side reads (RFC 9110, 12.5.3); nil where it has to be unpacked first.
func (s *served) form(accepts string) (body []byte, coding string) {
	switch {
	case !s.Packed:
		return s.plain, ""
	case accepted(accepts, "br"):
		return s.br, "br"
	case accepted(accepts, "gzip"):
		return s.gz, "gzip"
	}
	return nil, ""
}

func accepted(accepts, coding string) bool {
	for part := range strings.SplitSeq(accepts, ",") {
		name, weight, _ := strings.Cut(part, ";")
		if strings.EqualFold(strings.TrimSpace(name), coding) {
			value, ok := strings.CutPrefix(strings.ReplaceAll(weight, " ", ""), "q=")
			return !ok || strings.Trim(value, "0.") != ""
		}
	}
	return false
}

func matches(given, tag string) bool {
	for part := range strings.SplitSeq(given, ",") {
		if part = strings.TrimSpace(part); part == "*" || strings.TrimPrefix(part, "W/") == tag {
			return true
		}
	}
	return false
}

func (s *served) unpack(w io.Writer) {
	r, err := gzip.NewReader(bytes.NewReader(s.gz))
	if err == nil {
		_, _ = io.Copy(w, r) // who went away doesn't want it
	}
}

// notBuilt is the whole recorder of a program that was built without it.
func notBuilt(w http.ResponseWriter, r *http.Request) {
	guard(w, r)
	w.Header().Set("Cache-Control", "no-store")
	if r.URL.Path != "/" {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(http.StatusServiceUnavailable)
	_, _ = io.WriteString(w, notBuiltPage) // who went away doesn't want it
}

const notBuiltPage = `<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>The recorder isn't built</title>
<h1>The recorder isn't built</h1>
<p>This desk works, but its program was built without the page for phones. In the project's folder run</p>
<pre>go generate ./...
go build -o countback ./cmd/countback</pre>
<p>and start <code>countback serve</code> again. Nothing that was recorded is touched by that.</p>
</html>
`
