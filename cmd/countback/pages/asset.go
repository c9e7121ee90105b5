package pages

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"net/http"
	"path"
	"slices"
	"strings"
)

//go:embed style/*.css script/*.js
var assetFiles embed.FS

// assets are the files of style and script. Their addresses hold the hash of their content, so that a browser keeps them for good and never uses an old one.
type assets struct {
	byName    map[string]*asset // style/desk.css
	byAddress map[string]*asset
	names     []string
}

type asset struct {
	address, kind string
	body, zipped  []byte
}

var assetKinds = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}

func readAssets() (*assets, error) {
	a := &assets{byName: map[string]*asset{}, byAddress: map[string]*asset{}}
	for _, dir := range []string{"style", "script"} {
		list, err := assetFiles.ReadDir(dir)
		if err != nil {
			return nil, err
		}
		for _, f := range list {
			name := dir + "/" + f.Name()
			body, err := assetFiles.ReadFile(name)
			if err != nil {
				return nil, err
			}
			sum := sha256.Sum256(body)
			ext := path.Ext(name)
			x := &asset{address: "/static/" + strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext, kind: assetKinds[ext], body: body}
			var z bytes.Buffer
			w, _ := gzip.NewWriterLevel(&z, gzip.BestCompression) // the level exists
			if _, err := w.Write(body); err != nil {
				return nil, err
			}
			if err := w.Close(); err != nil {
				return nil, err
			}
			x.zipped = z.Bytes()
			a.byName[name], a.byAddress[x.address] = x, x
			a.names = append(a.names, name)
		}
	}
	slices.Sort(a.names)
	return a, nil
}

// address is where a file stands for browsers.
func (a *assets) address(name string) (string, error) {
	x, ok := a.byName[name]
	if !ok {
		return "", fmt.Errorf("there is no file %q", name)
	}
	return x.address, nil
}

// list is the addresses of a folder's files. Of styles desk.css comes first, since the others build on it.
func (a *assets) list(dir string) []string {
	const first = "style/desk.css"
	var out []string
	for _, name := range a.names {
		if strings.HasPrefix(name, dir+"/") && name != first {
			out = append(out, a.byName[name].address)
		}
	}
	if dir == "style" {
		out = append([]string{a.byName[first].address}, out...)
	}
	return out
}

// ServeHTTP implements http.Handler.
func (a *assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	x, ok := a.byAddress[r.URL.Path]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", x.kind)
	h.Set("Cache-Control", "private, max-age=31536000, immutable")
	h.Add("Vary", "Accept-Encoding")
	body := x.body
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = x.zipped
	}
	h.Set("Content-Length", fmt.Sprint(len(body)))
	_, _ = w.Write(body) // whoever asked may have gone
}
