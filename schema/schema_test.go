package schema_test

import (
	"encoding/json"
	"io/fs"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"countback/schema"
)

func readAll(t *testing.T) map[string]map[string]any {
	t.Helper()
	all := map[string]map[string]any{}
	names, err := fs.Glob(schema.FS(), "*.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		b, err := fs.ReadFile(schema.FS(), name)
		if err != nil {
			t.Fatal(err)
		}
		var doc map[string]any
		if err := json.Unmarshal(b, &doc); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		all[name] = doc
	}
	return all
}

// walk calls visit for every object of the document, with the path that leads to it.
func walk(v any, path string, visit func(path string, o map[string]any)) {
	switch v := v.(type) {
	case map[string]any:
		visit(path, v)
		for k, x := range v {
			walk(x, path+"/"+k, visit)
		}
	case []any:
		for _, x := range v {
			walk(x, path+"/*", visit)
		}
	}
}

func TestFilesAreFoundByKind(t *testing.T) {
	kinds := schema.Kinds()
	if len(kinds) != 19 {
		t.Errorf("%d kinds, the contract has 19: %v", len(kinds), kinds)
	}
	if want := len(kinds) + 2; len(readAll(t)) != want {
		t.Errorf("%d files, want %d", len(readAll(t)), want)
	}
	for _, k := range append(kinds, schema.Envelope, schema.Fact) {
		if b, ok := schema.File(k); !ok || len(b) == 0 {
			t.Errorf("no file for %q", k)
		}
	}
	for _, k := range []string{"", "sale", "envelope.json", "../schema/item", "item.v1.json"} {
		if _, ok := schema.File(k); ok {
			t.Errorf("a file for %q", k)
		}
	}
}

func TestHouseRules(t *testing.T) {
	shared := map[string]any{}
	for name, doc := range readAll(t) {
		if doc["$schema"] != "https://json-schema.org/draft/2020-12/schema" || doc["$id"] != schema.Base+name {
			t.Errorf("%s: $schema or $id is wrong", name)
		}
		for _, k := range []string{"title", "description"} {
			if s, _ := doc[k].(string); s == "" {
				t.Errorf("%s: no %s", name, k)
			}
		}
		walk(doc, name, func(path string, o map[string]any) {
			if _, ok := o["format"].(string); ok && o["pattern"] == nil {
				t.Errorf("%s: a format without a pattern beside it; validators may pass over a format", path)
			}
			if p, ok := o["pattern"].(string); ok {
				if _, err := regexp.Compile(p); err != nil {
					t.Errorf("%s: %v", path, err)
				}
			}
			if o["type"] == "object" && o["properties"] != nil && o["additionalProperties"] != false {
				t.Errorf("%s: additionalProperties isn't false", path)
			}
			if o["type"] == "array" && (o["maxItems"] == nil || o["minItems"] == nil) {
				t.Errorf("%s: a list without bounds", path)
			}
			props, _ := o["properties"].(map[string]any)
			for k, v := range props {
				p, ok := v.(map[string]any)
				if conditional := strings.Contains(path, "/anyOf") || strings.Contains(path, "/allOf") || strings.Contains(path, "/dependentSchemas"); conditional {
					continue
				}
				if s, _ := p["description"].(string); !ok || !strings.HasSuffix(s, ".") {
					t.Errorf("%s: %s has no description", path, k)
				}
			}
		})
		// Files stand alone, so they repeat definitions; those must not drift apart.
		defs, _ := doc["$defs"].(map[string]any)
		for k, v := range defs {
			if old, ok := shared[k]; ok && !reflect.DeepEqual(old, v) {
				t.Errorf("%s: the definition of %s differs from another file's", name, k)
			}
			shared[k] = v
		}
	}
}
