package house

import (
	"go/ast"
	"strings"
	"testing"
)

func TestPackagesSayWhatTheyAre(t *testing.T) {
	said, seen := map[string]bool{}, map[string]bool{}
	for _, s := range sources(t) {
		if s.test() {
			continue
		}
		seen[s.folder()] = true
		if s.file.Doc == nil {
			continue
		}
		said[s.folder()] = true
		if text := s.file.Doc.Text(); s.file.Name.Name != "main" && !strings.HasPrefix(text, "Package "+s.file.Name.Name+" ") {
			t.Errorf("%s: the package comment begins with \"Package %s\" and says what the package is for", s.name, s.file.Name.Name)
		}
	}
	for folder := range seen {
		if !said[folder] {
			t.Errorf("%s has no package comment: say in doc.go what the package is for, its words, formats and sources", folder)
		}
	}
}

func TestExportedNamesAreDocumented(t *testing.T) {
	for _, s := range sources(t) {
		if s.test() || s.file.Name.Name == "main" {
			continue
		}
		for _, d := range s.file.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				if d.Name.IsExported() && (d.Recv == nil || ast.IsExported(receiver(d))) && d.Doc == nil {
					undocumented(t, s, d, d.Name.Name)
				}
			case *ast.GenDecl:
				for _, spec := range d.Specs {
					switch spec := spec.(type) {
					case *ast.TypeSpec:
						if spec.Name.IsExported() && d.Doc == nil && spec.Doc == nil && spec.Comment == nil {
							undocumented(t, s, spec, spec.Name.Name)
						}
					case *ast.ValueSpec:
						for _, name := range spec.Names {
							if name.IsExported() && d.Doc == nil && spec.Doc == nil && spec.Comment == nil {
								undocumented(t, s, spec, name.Name)
							}
						}
					}
				}
			}
		}
	}
}

func undocumented(t *testing.T, s source, n ast.Node, name string) {
	t.Helper()
	if name == "Error" || name == "String" || name == "Unwrap" || name == "Len" || name == "Kind" {
		return // what their interfaces say
	}
	t.Errorf("%s:%d: %s has no comment: say what it means, its units, ranges and errors, and where a formula comes from", s.name, line(n), name)
}

func receiver(d *ast.FuncDecl) string {
	x := d.Recv.List[0].Type
	for {
		switch y := x.(type) {
		case *ast.StarExpr:
			x = y.X
		case *ast.IndexExpr:
			x = y.X
		case *ast.Ident:
			return y.Name
		default:
			return ""
		}
	}
}

// A fuzz target without a first example spends its time on finding out what its input looks like.
func TestFuzzTargetsHaveExamples(t *testing.T) {
	adders := map[string]bool{} // folder + function that adds examples to the target it is given
	adds := func(s source, d *ast.FuncDecl, given string) (yes bool) {
		ast.Inspect(d.Body, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			if sel, ok := call.Fun.(*ast.SelectorExpr); ok && sel.Sel.Name == "Add" {
				if x, ok := sel.X.(*ast.Ident); ok && x.Name == given {
					yes = true
				}
			}
			if f, ok := call.Fun.(*ast.Ident); ok && adders[s.folder()+"."+f.Name] {
				for _, arg := range call.Args {
					if x, ok := arg.(*ast.Ident); ok && x.Name == given {
						yes = true
					}
				}
			}
			return true
		})
		return yes
	}
	each := func(fn func(s source, d *ast.FuncDecl, given string)) {
		for _, s := range sources(t) {
			for _, decl := range s.file.Decls {
				if d, ok := decl.(*ast.FuncDecl); ok && s.test() && d.Recv == nil {
					if given := fuzzed(d); given != "" {
						fn(s, d, given)
					}
				}
			}
		}
	}
	for range 3 { // helpers of helpers
		each(func(s source, d *ast.FuncDecl, given string) {
			if adds(s, d, given) {
				adders[s.folder()+"."+d.Name.Name] = true
			}
		})
	}
	kept := strings.Join(files(t), "\n")
	n := 0
	each(func(s source, d *ast.FuncDecl, _ string) {
		name := d.Name.Name
		if !strings.HasPrefix(name, "Fuzz") {
			return
		}
		n++
		if !adders[s.folder()+"."+name] && !strings.Contains(kept, s.folder()+"/testdata/fuzz/"+name+"/") {
			t.Errorf("%s:%d: %s has no first examples: add some with f.Add, valid and almost valid ones", s.name, line(d), name)
		}
	})
	if n == 0 {
		t.Error("no fuzz target was found: is this test looking in the right place")
	}
}

// fuzzed returns the name of a function's parameter of type *testing.F, "" if it has none.
func fuzzed(d *ast.FuncDecl) string {
	for _, p := range d.Type.Params.List {
		star, ok := p.Type.(*ast.StarExpr)
		if !ok || len(p.Names) == 0 {
			continue
		}
		if sel, ok := star.X.(*ast.SelectorExpr); ok && sel.Sel.Name == "F" {
			return p.Names[0].Name
		}
	}
	return ""
}
