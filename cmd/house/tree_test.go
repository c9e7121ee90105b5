package house

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// root is the top of the project as seen from here.
const root = "../.."

// tree lists the project's files by their path from the top with forward slashes: what git tracks or would track, or, where the project came without
// git, all of them.
var tree = sync.OnceValues(func() ([]string, error) {
	known := known()
	var list []string
	// The folders are read here and not by git alone, so that go test sees that a cached result is out of date when a file is added.
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		name := filepath.ToSlash(strings.TrimPrefix(p, filepath.FromSlash(root)+string(filepath.Separator)))
		switch {
		case err != nil:
			return err
		case d.IsDir() && d.Name() == ".git":
			return filepath.SkipDir
		case d.Type().IsRegular() && (known == nil || known[name]):
			list = append(list, name)
		}
		return nil
	})
	slices.Sort(list)
	return list, err
})

// known is what git tracks or would track, nil without git.
func known() map[string]bool {
	cmd := exec.Command("git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		return nil
	}
	list := map[string]bool{}
	for _, name := range strings.Split(string(out), "\x00") {
		list[name] = true
	}
	return list
}

func files(t *testing.T) []string {
	t.Helper()
	list, err := tree()
	if err != nil || len(list) < 100 {
		t.Fatalf("the project's files can't be listed (%d found): %v", len(list), err)
	}
	return list
}

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// source is one Go file.
type source struct {
	name string // from the top
	file *ast.File
}

func (s source) folder() string { return path.Dir(s.name) }
func (s source) test() bool     { return strings.HasSuffix(s.name, "_test.go") }

// below reports whether the file stands below cmd in the order of layers, which is where the outside may not be reached for.
func (s source) below() bool { return layerOf(s.folder()) >= 0 && layerOf(s.folder()) < top }

var fset = token.NewFileSet()

var parsed = sync.OnceValues(func() ([]source, error) {
	list, err := tree()
	if err != nil {
		return nil, err
	}
	var out []source
	for _, name := range list {
		if !strings.HasSuffix(name, ".go") || strings.Contains("/"+name, "/testdata/") {
			continue
		}
		f, err := parser.ParseFile(fset, filepath.Join(root, filepath.FromSlash(name)), nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return nil, err
		}
		out = append(out, source{name, f})
	}
	return out, nil
})

// sources returns all Go files, whatever platform they are for.
func sources(t *testing.T) []source {
	t.Helper()
	list, err := parsed()
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func line(n ast.Node) int { return fset.Position(n.Pos()).Line }
