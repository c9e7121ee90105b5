package recorder

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"path"
)

//go:generate go run countback/cmd/recorder/build -into built

//go:embed built
var embedded embed.FS

// The names in the folder of a build.
const (
	ListName = "list.json"
	Folder   = "files"
)

// List is what a build holds.
type List struct {
	Build string `json:"build"` // SHA-256 of the hashes of all files
	Quick bool   `json:"quick"` // compressed less than it could be
	Files []File `json:"files"` // by path
}

// File is one file of the recorder.
type File struct {
	Path   string `json:"path"` // with forward slashes, below the door's root
	Hash   string `json:"hash"` // SHA-256 of the content, in hexadecimal digits
	Size   int    `json:"size"` // bytes, not compressed
	Type   string `json:"type"` // the media type
	Packed bool   `json:"packed,omitzero"`
}

// types are the sorts of files that are served: their media types (IANA), and whether compressing them is worth it.
var types = map[string]struct {
	media string
	pack  bool
}{
	".html":        {"text/html; charset=utf-8", true},
	".css":         {"text/css; charset=utf-8", true},
	".js":          {"text/javascript; charset=utf-8", true},
	".svg":         {"image/svg+xml", true},
	".webmanifest": {"application/manifest+json", true},
	".wasm":        {"application/wasm", true},
	".png":         {"image/png", false},
}

// TypeOf returns the media type of a file by its name; false where such files aren't served.
func TypeOf(name string) (string, bool) {
	t, ok := types[path.Ext(name)]
	return t.media, ok
}

// FileOf describes a file with its content.
func FileOf(name string, content []byte) File {
	sum := sha256.Sum256(content)
	t := types[path.Ext(name)]
	return File{Path: name, Hash: hex.EncodeToString(sum[:]), Size: len(content), Type: t.media, Packed: t.pack}
}

// Built is the build that this program holds. It has no list.json where nothing was built.
func Built() fs.FS {
	built, err := fs.Sub(embedded, "built")
	if err != nil {
		panic("recorder: the embedded folder has another name: " + err.Error()) // a fault of this file
	}
	return built
}
