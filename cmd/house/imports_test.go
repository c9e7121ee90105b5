package house

import (
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "countback"

// layers from the bottom up. A package may import its own layer and those below; sync and projections stand side by side.
var layers = []struct {
	folder string
	may    []string
}{
	{"schema", nil},
	{"ledger", []string{"schema"}},
	{"projections", []string{"ledger", "schema"}},
	{"sync", []string{"ledger", "schema"}},
	{"cmd", []string{"sync", "projections", "ledger", "schema"}},
}

const top = 4 // cmd

// layerOf returns the layer of a folder, -1 for none.
func layerOf(folder string) int {
	first, _, _ := strings.Cut(folder, "/")
	for i, l := range layers {
		if l.folder == first {
			return i
		}
	}
	return -1
}

const direction = "imports go one way, cmd → sync, projections → ledger → schema: so the phone can run ledger and projections without the desk, " +
	"and a rule of the domain can be tested without a program around it"

func TestImportsGoOneWay(t *testing.T) {
	for _, s := range sources(t) {
		from := layerOf(s.folder())
		if from < 0 {
			t.Errorf("%s: Go code stands in cmd, sync, projections, ledger or schema; move it there", s.name)
			continue
		}
		for _, imp := range s.file.Imports {
			name, _ := strconv.Unquote(imp.Path.Value)
			folder, own := strings.CutPrefix(name, module+"/")
			if !own {
				continue
			}
			to := layerOf(folder)
			if to != from && (to < 0 || !slices.Contains(layers[from].may, layers[to].folder)) {
				t.Errorf("%s:%d imports %s: %s; hand in what is needed as a value, a function or a small interface", s.name, line(imp), name, direction)
			}
		}
	}
}

// What a package below cmd must not import, and why. A name with a slash at its end is everything below it.
var outside = []struct{ name, why string }{
	{"os", "files, arguments and environment come in from cmd"},
	{"os/", "files, arguments and environment come in from cmd"},
	{"syscall", "the system is cmd's business"},
	{"io/ioutil", "files come in from cmd"},
	{"path/filepath", "a path of the disk comes in from cmd whole"},
	{"net", "the network comes in from cmd, and only sync speaks to it"},
	{"net/", "the network comes in from cmd, and only sync speaks to it"},
	{"database/sql", "only ledger/store/sqlite knows the database"},
	{"log", "an error is handled once, by cmd; return it"},
	{"log/", "an error is handled once, by cmd; return it"},
	{"flag", "arguments are read by cmd"},
	{"crypto/rand", "randomness comes in as an io.Reader (Entropy)"},
	{"math/rand", "randomness comes in from outside; statistics seed a math/rand/v2 generator of their own"},
	{"time/tzdata", "time zones come in as a *time.Location"},
	{"unsafe", "nothing here needs it"},
	{"C", "the desk program must build without a C compiler, and the rest for js/wasm"},
}

// Where an outside is a package's own job.
var jobs = map[string][]string{
	"ledger/store/sqlite":    {"database/sql", "os", "path/filepath", "syscall", "net/"}, // net/url writes the data source name
	"ledger/store/indexeddb": {"syscall"},                                                // syscall/js
}

func TestTheOutsideComesIn(t *testing.T) {
	for _, s := range sources(t) {
		if s.test() || !s.below() {
			continue
		}
		for _, imp := range s.file.Imports {
			name, _ := strconv.Unquote(imp.Path.Value)
			for _, o := range outside {
				if name != o.name && !(strings.HasSuffix(o.name, "/") && strings.HasPrefix(name, o.name)) || slices.Contains(jobs[s.folder()], o.name) {
					continue
				}
				if layers[layerOf(s.folder())].folder == "sync" && strings.HasPrefix(o.name, "net") {
					continue
				}
				t.Errorf("%s:%d imports %s: below cmd %s", s.name, line(imp), name, o.why)
				break
			}
		}
	}
}

// Libraries must not bring a network or a database along: on the phone each megabyte is a second of waiting.
func TestNothingHeavyComesAlong(t *testing.T) {
	heavy := []string{"net", "net/http", "crypto/tls", "database/sql", "os/exec", "modernc.org/sqlite"}
	cmd := exec.Command("go", "list", "-deps", "-f", "{{.ImportPath}}: {{join .Deps \" \"}}", "./ledger/...", "./projections/...", "./schema/...")
	cmd.Dir = root
	cmd.Env = append(cmd.Environ(), "GOOS=js", "GOARCH=wasm", "CGO_ENABLED=0")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list for js/wasm: %v\n%s", err, stderr(err))
	}
	n := 0
	for _, l := range strings.Split(string(out), "\n") {
		name, deps, ok := strings.Cut(l, ": ")
		folder, own := strings.CutPrefix(name, module+"/")
		if !ok || !own || aid(folder) {
			continue
		}
		n++
		for _, d := range strings.Fields(deps) {
			if slices.Contains(heavy, d) {
				t.Errorf("%s reaches %s for js/wasm through a library: take another, or keep it in ledger/store/sqlite or cmd; go list -deps shows the way", folder, d)
			}
		}
	}
	if n < 10 {
		t.Fatalf("only %d packages were looked at", n)
	}
}

// aids are packages for tests alone.
var aids = []string{
	"cmd/recorder/chromium", "ledger/store/storetest", "projections/foldtest", "projections/oracle", "sync/replicate/drivertest", "sync/replicate/simulate",
}

func aid(folder string) bool { return slices.Contains(aids, folder) }

func TestAidsOfTestsStayInTests(t *testing.T) {
	for _, s := range sources(t) {
		if s.test() || aid(s.folder()) {
			continue
		}
		for _, imp := range s.file.Imports {
			name, _ := strconv.Unquote(imp.Path.Value)
			if aid(strings.TrimPrefix(name, module+"/")) || name == "testing" || name == "pgregory.net/rapid" {
				t.Errorf("%s:%d imports %s, which is for tests: import it from a _test.go file only", s.name, line(imp), name)
			}
		}
	}
}

func TestDomainBuildsForThePhone(t *testing.T) {
	cmd := exec.Command("go", "build", "./ledger/...", "./projections/...", "./schema/...")
	cmd.Dir = root
	cmd.Env = append(cmd.Environ(), "GOOS=js", "GOARCH=wasm", "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("ledger, projections and schema must build for js/wasm, since the phone runs them; a file for the desk alone begins with //go:build !js: %v\n%s", err, out)
	}
}

func stderr(err error) string {
	if e, ok := err.(*exec.ExitError); ok {
		return filepath.ToSlash(string(e.Stderr))
	}
	return ""
}
