package lang

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"sapward/finding"
)

var placeholder = regexp.MustCompile(`\{\{[^}]*\.([a-z_]+)[^}]*\}\}`)

func names(s string) []string {
	var out []string
	for _, m := range placeholder.FindAllStringSubmatch(s, -1) {
		if !slices.Contains(out, m[1]) {
			out = append(out, m[1])
		}
	}
	slices.Sort(out)
	return out
}

// same words are allowed to be the same in both languages.
var sameInBoth = map[string]bool{"severity-refused": true, "plan-active": true, "plan-active-area": true}

// Every message has both languages, with the same arguments.
func TestCatalogue_IsWhole(t *testing.T) {
	all := Messages()
	if len(all) < 100 {
		t.Fatalf("only %d messages", len(all))
	}
	for id, m := range all {
		if m.EN == "" || m.ES == "" {
			t.Errorf("%s lacks a language", id)
		}
		if (m.ENMend == "") != (m.ESMend == "") {
			t.Errorf("%s: only one language says how to mend it", id)
		}
		if a, b := names(m.EN), names(m.ES); !slices.Equal(a, b) {
			t.Errorf("%s: arguments differ: %v, %v", id, a, b)
		}
		if a, b := names(m.ENMend), names(m.ESMend); !slices.Equal(a, b) {
			t.Errorf("%s.mend: arguments differ: %v, %v", id, a, b)
		}
		plain := placeholder.ReplaceAllString(m.EN, "")
		if m.EN == m.ES && !sameInBoth[id] && strings.Count(plain, " ") >= 3 {
			t.Errorf("%s is not translated: %q", id, m.EN)
		}
		for _, s := range []string{m.EN, m.ENMend, m.ES, m.ESMend} {
			if strings.Contains(strings.ToLower(s), "protected") || regexp.MustCompile(`(?i)\bsafe\b`).MatchString(s) {
				t.Errorf("%s promises too much: %q", id, s)
			}
			if strings.Contains(s, "\n") {
				t.Errorf("%s is more than one line", id)
			}
		}
	}
}

// Every template renders in both languages, with every argument and with none
// of the optional ones, and never shows a hole.
func TestCatalogue_Renders(t *testing.T) {
	for id, m := range Messages() {
		args := finding.Args{}
		for _, n := range append(names(m.EN), names(m.ENMend)...) {
			args[n] = finding.Text("x")
		}
		for _, l := range Languages {
			p := New(l, "metric")
			for _, key := range []string{id, id + ".mend"} {
				if key != id && m.ENMend == "" {
					continue
				}
				if s := p.Say(key, args); s == key && m.EN != id || s == "" || strings.Contains(s, "<no value>") {
					t.Errorf("%s in %s: %q", key, l, s)
				}
			}
		}
	}
}

// sites are the calls whose string arguments are message identifiers.
var sites = map[string]int{
	"Bad": 0, "usage": 0, "need": 0, "refuse": 0, "warn": 0, "note": 0, "mandatory": 0, "open": 0, "fileFault": 0, "T": 0, "Say": 0, "title": -1,
}

// local are names that mean this only in the plan.
var local = map[string]bool{"need": true, "refuse": true, "warn": true, "note": true, "open": true, "mandatory": true}

// Every identifier in the code is in the catalogue.
func TestCatalogue_KnowsEveryIdentifier(t *testing.T) {
	all := Messages()
	known := func(id string) bool { _, ok := all[id]; return ok }
	found := 0
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			if n := d.Name(); d.IsDir() && (n == "testdata" || n == "bench" || n == "flow" || n == "follow" || n == "draw") {
				return filepath.SkipDir
			}
			return nil
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, path, nil, 0)
		if err != nil {
			return err
		}
		say := func(pos token.Pos, lit ast.Expr) {
			b, ok := lit.(*ast.BasicLit)
			if !ok || b.Kind != token.STRING {
				return
			}
			id, _ := strconv.Unquote(b.Value)
			if id == "" || !regexp.MustCompile(`^[a-z][a-z0-9-]*$`).MatchString(id) {
				return
			}
			found++
			if !known(id) && !strings.HasSuffix(id, "-") {
				t.Errorf("%s: %q is not in the catalogue", set.Position(pos), id)
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.CallExpr:
				name := ""
				switch f := x.Fun.(type) {
				case *ast.Ident:
					name = f.Name
				case *ast.SelectorExpr:
					name = f.Sel.Name
				}
				if local[name] && !strings.Contains(filepath.ToSlash(path), "../plan/") {
					return true
				}
				if k, ok := sites[name]; ok && k >= 0 && len(x.Args) > k {
					say(x.Pos(), x.Args[k])
				}
			case *ast.KeyValueExpr:
				if k, ok := x.Key.(*ast.Ident); ok && k.Name == "ID" {
					say(x.Pos(), x.Value)
				}
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if found < 80 {
		t.Errorf("only %d identifiers found; the walk is broken", found)
	}
}

// Figures have one decimal mark, a point, and no grouping, in every language.
func TestFigures(t *testing.T) {
	es := New("es", "metric")
	us := New("en", "us")
	for got, want := range map[string]string{
		es.Volume(14.5):      "14.5 mL",
		es.Volume(12345.678): "12.346 L",
		us.Volume(14.5):      "14.5 mL",
		us.Volume(3785.4118): "3.785 L (1 US gal)",
		us.Length(2.54):      "1 in",
		us.Height(1.3716):    "4.5 ft",
		us.Area(1):           "2.47 ac",
		us.Temperature(32):   "90 °F",
		es.Temperature(-0.5): "-0.5 °C",
		us.PerArea(448.34):   "0.4 lb/ac",
		es.Length(1234.5):    "1234.5 cm",
		Figure(-0.0001, 1):   "0",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
