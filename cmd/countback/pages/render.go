package pages

import (
	"compress/gzip"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"maps"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"

	"countback/cmd/countback/words"
)

//go:embed html/*.html
var htmlFiles embed.FS

// parse reads all templates, each within the layout and the parts that all share (files whose name begins with part-).
func (s *Site) parse() (map[string]*template.Template, error) {
	shared, err := template.New("").Funcs(s.funcs()).ParseFS(htmlFiles, "html/layout.html")
	if err != nil {
		return nil, err
	}
	if list, _ := fs.Glob(htmlFiles, "html/part-*.html"); len(list) > 0 {
		if shared, err = shared.ParseFS(htmlFiles, list...); err != nil {
			return nil, err
		}
	}
	list, err := fs.Glob(htmlFiles, "html/*.html")
	if err != nil {
		return nil, err
	}
	pages := map[string]*template.Template{}
	for _, file := range list {
		name := strings.TrimSuffix(path.Base(file), ".html")
		if name == "layout" || strings.HasPrefix(name, "part-") {
			continue
		}
		t, err := shared.Clone()
		if err != nil {
			return nil, err
		}
		if pages[name], err = t.ParseFS(htmlFiles, file); err != nil {
			return nil, err
		}
		for _, part := range []string{"title", "main"} {
			if t.Lookup(part) == nil {
				return nil, fmt.Errorf("%s doesn't define %q", file, part)
			}
		}
	}
	return pages, nil
}

// funcs are what templates can say beside their data.
func (s *Site) funcs() template.FuncMap {
	funcs := template.FuncMap{
		"asset":    func(name string) (string, error) { return s.assets.address(name) },
		"styles":   func() []string { return s.assets.list("style") },
		"scripts":  func() []string { return s.assets.list("script") },
		"figure":   Grouped,
		"inUnit":   words.InUnit,
		"day":      func(t any) string { return s.day(t) },
		"clock":    func(t any) string { return s.clock(t) },
		"itemURL":  func(id string) string { return "/item/" + url.PathEscape(id) },
		"orderURL": func(number string) string { return "/orders/" + url.PathEscape(number) },
		"eventURL": func(id any) string { return "/event/" + url.PathEscape(fmt.Sprint(id)) },
		"count":    Count,
		"list":     func(parts ...any) []any { return parts },
	}
	maps.Copy(funcs, reportFuncs)
	return funcs
}

// Count says how many: "1 order", "1,204 orders".
func Count(n any, one, many string) string {
	if p, ok := n.(*int64); ok && p != nil {
		n = *p
	}
	text := fmt.Sprint(n)
	if text == "1" {
		return "1 " + one
	}
	return Grouped(text) + " " + many
}

// Grouped puts a comma between the thousands of a canonical decimal. Other text stays as it is.
func Grouped(v any) string {
	if n, ok := v.(*int64); ok && n != nil {
		v = *n
	}
	s := fmt.Sprint(v)
	sign := ""
	if strings.HasPrefix(s, "-") {
		sign, s = "−", s[1:]
	}
	whole, frac, point := strings.Cut(s, ".")
	if strings.Trim(whole, "0123456789") != "" || s == "" {
		return fmt.Sprint(v)
	}
	var b strings.Builder
	b.WriteString(sign)
	for i, r := range whole {
		if i > 0 && (len(whole)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteRune(r)
	}
	if point {
		b.WriteString("." + frac)
	}
	return b.String()
}

// when reads a time.Time, a time of RFC 3339 or a date; ok is false for anything else.
func when(t any) (at time.Time, ok bool) {
	if t, ok := t.(time.Time); ok {
		return t, !t.IsZero()
	}
	text := fmt.Sprint(t)
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		if at, err := time.Parse(layout, text); err == nil {
			return at, true
		}
	}
	return at, false
}

// day writes a day as people say it, with its year where that isn't this one.
func (s *Site) day(t any) string {
	at, ok := when(t)
	if !ok {
		return fmt.Sprint(t)
	}
	if at.Year() == s.desk.Now().Year() {
		return at.Format("Mon 2 Jan")
	}
	return at.Format("Mon 2 Jan 2006")
}

// clock is day with the time of day.
func (s *Site) clock(t any) string {
	at, ok := when(t)
	if !ok {
		return fmt.Sprint(t)
	}
	return s.day(at) + at.Format(", 15:04")
}

// send writes a body, compressed where the browser takes that.
func send(w http.ResponseWriter, r *http.Request, status int, body []byte) error {
	const worth = 1400 // bytes: below that it is one packet either way
	h := w.Header()
	h.Add("Vary", "Accept-Encoding")
	if len(body) < worth || !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Length", fmt.Sprint(len(body)))
		w.WriteHeader(status)
		_, err := w.Write(body)
		return ignoreGone(err)
	}
	h.Set("Content-Encoding", "gzip")
	w.WriteHeader(status)
	z, _ := gzip.NewWriterLevel(w, gzip.BestSpeed) // the level exists
	if _, err := z.Write(body); err != nil {
		return ignoreGone(err)
	}
	return ignoreGone(z.Close())
}

// ignoreGone drops an error of writing: whoever asked has gone, and the answer was begun.
func ignoreGone(error) error { return nil }
