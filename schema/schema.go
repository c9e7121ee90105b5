package schema

import (
	"embed"
	"io/fs"
	"slices"
	"strings"
)

//go:embed *.json
var files embed.FS

// Names under which File returns the two files that belong to no kind.
const (
	Envelope = "envelope" // an event's line
	Fact     = "fact"     // a line of a fact file
)

// Base is what every file's $id begins with; the name of the file follows. Nothing is served there (RFC 2606).
const Base = "https://countback.example/schema/"

const version = ".v1.json"

// File returns the schema of a kind's data, or of the envelope or a fact line, and whether there is one. The bytes are the caller's own.
func File(kind string) ([]byte, bool) {
	name := kind + version
	if kind == Envelope || kind == Fact {
		name = kind + ".json"
	}
	b, err := files.ReadFile(name)
	return b, err == nil
}

// Kinds returns the kinds that have a schema, in alphabetical order.
func Kinds() []string {
	names, err := fs.Glob(files, "*"+version)
	if err != nil {
		panic(err) // the pattern is a constant
	}
	for i, n := range names {
		names[i] = strings.TrimSuffix(n, version)
	}
	slices.Sort(names)
	return names
}

// FS returns all files, named KIND.v1.json, envelope.json and fact.json.
func FS() fs.FS { return files }
