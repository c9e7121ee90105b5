package house

import (
	"go/ast"
	"go/token"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Calls that are banned below cmd, each with what to do instead. "*" is every name of a package.
var banned = map[string]map[string]string{
	"time": {
		"Now":          "take the time as an argument, or a func() time.Time set by cmd",
		"Since":        "subtract two instants that were handed in",
		"Until":        "subtract two instants that were handed in",
		"Sleep":        "return, and let the caller's clock call again",
		"After":        "return when to be called again",
		"AfterFunc":    "return when to be called again",
		"Tick":         "return when to be called again",
		"NewTimer":     "return when to be called again",
		"NewTicker":    "return when to be called again",
		"LoadLocation": "take a *time.Location, or a function that finds one; the zones are on cmd's disk",
		"Local":        "take the shop's *time.Location; the machine's zone decides nothing",
	},
	"fmt": {
		"Print":   "return the text; cmd prints",
		"Printf":  "return the text; cmd prints",
		"Println": "return the text; cmd prints",
	},
	"math/rand/v2": {"*": "seed a generator of your own (rand.New with rand.NewPCG or rand.NewChaCha8) from the item and window"},
	"strconv":      {"ParseFloat": "parse with num.ParseQty, ParseMoney or ParseRate", "FormatFloat": "print with the number's own String"},
}

// allowed are the exceptions from "*": generators that are seeded by their caller, and what belongs to them.
var allowed = map[string][]string{
	"math/rand/v2": {"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "Source", "PCG", "ChaCha8", "Zipf"},
}

// statistics are the packages of estimates, the only ones that compute with floats. Exact reports never import a figure from them.
var statistics = []string{"projections/audit", "projections/chance", "projections/fill", "projections/forecast", "projections/noise", "projections/outlook", "projections/reorder", "projections/replenish",
	"projections/shrinkage", "projections/use"}

// floats are functions outside statistics that may name float64, because they hand a number over to statistics.
var floats = map[string]string{"ledger/num/fixed.go": "Float"}

func TestBannedCalls(t *testing.T) {
	for _, s := range sources(t) {
		if s.test() || !s.below() {
			continue
		}
		names := imported(s.file)
		ast.Inspect(s.file, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			x, ok := sel.X.(*ast.Ident)
			if !ok {
				return true
			}
			from := names[x.Name]
			why, ok := banned[from][sel.Sel.Name]
			if !ok {
				why, ok = banned[from]["*"]
			}
			if ok && !slices.Contains(allowed[from], sel.Sel.Name) {
				t.Errorf("%s:%d: %s.%s is banned below cmd: %s", s.name, line(sel), from, sel.Sel.Name, why)
			}
			return true
		})
	}
}

// The program's clock, randomness and streams are fields of Main, so that a test can start all of it.
func TestOnlyMainTouchesTheOutside(t *testing.T) {
	outer := map[string][]string{
		"time":        {"Now", "Since", "Until"},
		"crypto/rand": {"Reader", "Read", "Text", "Int", "Prime"},
		"os":          {"Args", "Stdin", "Stdout", "Stderr", "Exit", "Getenv", "LookupEnv", "Environ"},
		"fmt":         {"Print", "Printf", "Println"},
	}
	for _, s := range sources(t) {
		if s.test() || s.below() || path.Base(s.name) == "main.go" {
			continue
		}
		names := imported(s.file)
		ast.Inspect(s.file, func(n ast.Node) bool {
			if sel, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := sel.X.(*ast.Ident); ok && slices.Contains(outer[names[x.Name]], sel.Sel.Name) {
					t.Errorf("%s:%d: %s.%s belongs in main.go alone: use the field of Main (Now, Entropy, Getenv, Stdin, Stdout, Stderr)", s.name, line(sel), x.Name, sel.Sel.Name)
				}
			}
			return true
		})
	}
}

func TestFiguresAreExact(t *testing.T) {
	const why = "figures are exact: use num.Qty, num.Money, num.Rate or math/big; floats are for statistics alone"
	for _, s := range sources(t) {
		if s.test() || !s.below() || slices.Contains(statistics, s.folder()) {
			continue
		}
		for _, d := range s.file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && floats[s.name] == f.Name.Name {
				continue
			}
			ast.Inspect(d, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.Ident:
					if n.Name == "float64" || n.Name == "float32" {
						t.Errorf("%s:%d: %s: %s", s.name, line(n), n.Name, why)
					}
				case *ast.BasicLit:
					if n.Kind == token.FLOAT && !strings.ContainsAny(n.Value, "eE") {
						t.Errorf("%s:%d: %s: %s", s.name, line(n), n.Value, why)
					}
				case *ast.SelectorExpr:
					if n.Sel.Name == "Float" {
						t.Errorf("%s:%d: Float hands a number to statistics: %s", s.name, line(n), why)
					}
				}
				return true
			})
		}
	}
}

// imported returns the packages of a file by the name that it uses for them.
func imported(f *ast.File) map[string]string {
	names := map[string]string{}
	for _, imp := range f.Imports {
		p, _ := strconv.Unquote(imp.Path.Value)
		name := path.Base(p)
		if len(name) > 1 && name[0] == 'v' && name[1] >= '0' && name[1] <= '9' {
			name = path.Base(path.Dir(p))
		}
		if imp.Name != nil {
			name = imp.Name.Name
		}
		names[name] = p
	}
	return names
}
