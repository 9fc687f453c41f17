package api

import (
	"encoding/json"
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	validator "github.com/pb33f/libopenapi-validator"

	"github.com/pb33f/libopenapi"

	"sapward/internal/app"
)

var update = flag.Bool("update", false, "write what is made from the source")

// written returns what the source says beside the types of the document and their
// fields.
func commentsOf(t *testing.T) map[string]string {
	t.Helper()
	s := &schemas{}
	documentOf(s, "test")
	out := map[string]string{}
	wanted := map[string][]reflect.Type{} // by folder
	seen := map[reflect.Type]bool{}
	put := func(x reflect.Type) {
		if !seen[x] && x.PkgPath() != "" {
			seen[x] = true
			dir := filepath.Join("..", "..", strings.TrimPrefix(x.PkgPath(), "sapward/"))
			wanted[dir] = append(wanted[dir], x)
		}
	}
	for _, x := range s.types {
		put(x)
		for _, f := range fieldsOf(x) {
			put(f.of)
		}
	}
	for dir, types := range wanted {
		set := token.NewFileSet()
		names, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil || len(names) == 0 {
			t.Fatal(dir, err)
		}
		structs := map[string]*ast.StructType{}
		docs := map[string]string{}
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(set, name, nil, parser.ParseComments)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range f.Decls {
				g, ok := d.(*ast.GenDecl)
				if !ok {
					continue
				}
				for _, spec := range g.Specs {
					if ts, ok := spec.(*ast.TypeSpec); ok {
						if st, ok := ts.Type.(*ast.StructType); ok {
							structs[ts.Name.Name] = st
							if g.Doc != nil {
								docs[ts.Name.Name] = g.Doc.Text()
							}
						}
					}
				}
			}
		}
		for _, x := range types {
			bare, _, _ := strings.Cut(x.Name(), "[")
			st := structs[bare]
			if st == nil {
				continue
			}
			if d := docs[bare]; d != "" {
				out[keyOf(x)] = strings.Join(strings.Fields(d), " ")
			}
			for _, f := range st.Fields.List {
				if f.Tag == nil {
					continue
				}
				m := regexp.MustCompile(`json:"([^",]+)`).FindStringSubmatch(f.Tag.Value)
				if m == nil {
					continue
				}
				say := ""
				if f.Comment != nil {
					say = f.Comment.Text()
				} else if f.Doc != nil {
					say = f.Doc.Text()
				}
				if say = strings.Join(strings.Fields(say), " "); say != "" {
					out[keyOf(x)+"."+m[1]] = strings.ToUpper(say[:1]) + say[1:] + dot(say)
				}
			}
		}
	}
	return out
}

func dot(say string) string {
	if strings.HasSuffix(say, ".") {
		return ""
	}
	return "."
}

// What the document says of fields is what stands beside them in the source.
func TestComments_AreFresh(t *testing.T) {
	want, err := json.MarshalIndent(commentsOf(t), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	want = append(want, '\n')
	if *update {
		if err := os.WriteFile("comments.json", want, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(commentsFile) != string(want) {
		t.Error("comments.json is stale; run this test with -args -update")
	}
}

// saysAll reports whether every property of a type is to say what it is: those of
// documents that have a schema and pages of their own need not.
func saysAll(t reflect.Type) bool {
	return strings.HasSuffix(t.PkgPath(), "/api") || strings.HasSuffix(t.PkgPath(), "/app") || strings.HasSuffix(t.PkgPath(), "/brief")
}

// The document is OpenAPI 3.1 by the meta-schema that another program carries, and
// every operation, parameter and property says what it is.
func TestDocument_IsOpenAPI(t *testing.T) {
	data, err := Document("test")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := libopenapi.NewDocument(data)
	if err != nil {
		t.Fatal(err)
	}
	if v := doc.GetVersion(); v != "3.1.0" {
		t.Errorf("version %s", v)
	}
	v, errs := validator.NewValidator(doc)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	if ok, faults := v.ValidateDocument(); !ok {
		for _, f := range faults {
			t.Errorf("%s: %s", f.Message, f.Reason)
			for _, s := range f.SchemaValidationErrors {
				t.Errorf("  %s %s", s.FieldPath+" "+s.KeywordLocation, s.Reason)
			}
		}
	}
	s := &schemas{}
	d := documentOf(s, "test")
	capital := regexp.MustCompile(`[A-Z]`)
	properties, mute := 0, []string{}
	for name, x := range s.made {
		props, _ := x["properties"].(map[string]schema)
		if x["description"] == nil {
			mute = append(mute, name)
		}
		for p, k := range props {
			properties++
			if k["description"] == nil && saysAll(s.types[name]) {
				mute = append(mute, name+"."+p)
			}
			if capital.MatchString(p) {
				t.Errorf("%s.%s has no name of its own in JSON", name, p)
			}
		}
	}
	slices.Sort(mute)
	if len(mute) > 0 {
		t.Errorf("%d of %d properties and types say nothing of themselves: %s", len(mute), properties, strings.Join(mute, " "))
	}
	names := map[string]bool{}
	for _, o := range operations() {
		if names[o.name] {
			t.Errorf("two operations are named %s", o.name)
		}
		names[o.name] = true
		if _, _, ok := app.PermissionOf(o.use); !ok && !o.open {
			t.Errorf("%s: no use case %q", o.name, o.use)
		}
		if o.title == "" {
			t.Errorf("%s has no title", o.name)
		}
		if o.makes && o.again == nil {
			t.Errorf("%s: an answer that is lost cannot be made again", o.name)
		}
	}
	t.Logf("%d operations on %d paths, %d schemas, %d properties, %d bytes", len(names), len(d["paths"].(map[string]map[string]any)), len(s.made), properties, len(data))
}
