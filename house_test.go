package sapward_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// house lists the packages in the order in which they may import one another:
// only from earlier lines. A folder's root package stands after its children.
// The order tells the job (docs/decisions/0001-house.md).
var house = []string{
	"finding",
	"numeric/exact", "numeric/special", "numeric/describe", "numeric/classes", "numeric/fit", "numeric/quasi", "numeric",
	"measure/quantity", "measure/civil", "measure/tree", "measure/sample",
	"plan/label", "plan/dose", "plan/port", "plan/crew", "plan",
	"flow/weather", "flow/sap", "flow/plume", "flow/protect", "flow/compare",
	"apply/tag", "apply/fieldlog", "apply/record",
	"follow/health", "follow/decline", "follow/trial",
	"internal/brief", "internal/app", "internal/store", "internal/store/storetest", "internal/cardfile", "internal/exchange", "internal/draw", "internal/lang", "internal/report", "internal/authority", "internal/demo", "internal/metrics", "internal/api", "internal/web", "internal/cli",
	"cmd/sapward", "wasm", "tools/release",
}

// worldly are standard packages that reach files, network, processes or the
// clock's side effects. Nothing before internal/ may import them: the core
// takes values and returns values.
var worldly = []string{"os", "os/exec", "net", "net/http", "io/ioutil", "syscall", "database/sql", "log", "log/slog", "flag", "math/rand"}

// libraries says which outside modules a folder of the core may use, and why.
var libraries = map[string]string{
	"gonum.org/v1/gonum": "well-kept numerics that we do not write again",
}

type imported struct {
	path string
	pos  token.Position
}

// sources parses the project's own files; no command is run, so that no cached
// answer can hide a change.
func sources(t *testing.T, visit func(dir, name string, file *ast.File, set *token.FileSet)) {
	t.Helper()
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); path != "." && (strings.HasPrefix(name, ".") || name == "testdata" || name == "node_modules") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		visit(filepath.ToSlash(filepath.Dir(path)), d.Name(), file, set)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func imports(file *ast.File, set *token.FileSet) (out []imported) {
	for _, i := range file.Imports {
		p, _ := strconv.Unquote(i.Path.Value)
		out = append(out, imported{p, set.Position(i.Pos())})
	}
	return out
}

func TestHouse_ImportsRunOneWay(t *testing.T) {
	rank := map[string]int{}
	for i, p := range house {
		rank[p] = i
	}
	seen := 0
	sources(t, func(dir, name string, file *ast.File, set *token.FileSet) {
		if dir == "." || strings.HasSuffix(name, "_test.go") || strings.HasPrefix(dir, "bench") {
			return
		}
		mine, ok := rank[dir]
		if !ok {
			t.Errorf("%s is not in the house; give it a place and say why in docs/decisions", dir)
			return
		}
		seen++
		core := !strings.HasPrefix(dir, "internal/") && !strings.HasPrefix(dir, "cmd/") && !strings.HasPrefix(dir, "tools/") && dir != "wasm"
		for _, i := range imports(file, set) {
			if own, found := strings.CutPrefix(i.path, "sapward/"); found {
				if r, known := rank[own]; !known || r >= mine {
					t.Errorf("%s: %s may import only what stands before it in the house, not %s", i.pos, dir, own)
				}
				continue
			}
			if !core {
				continue
			}
			if slices.Contains(worldly, i.path) {
				t.Errorf("%s: the core does no I/O and keeps no global state; %s belongs in internal/", i.pos, i.path)
			}
			if strings.Contains(strings.SplitN(i.path, "/", 2)[0], ".") {
				allowed := false
				for lib := range libraries {
					allowed = allowed || strings.HasPrefix(i.path, lib)
				}
				if !allowed {
					t.Errorf("%s: the core uses no library but %v; %s belongs in internal/", i.pos, libraries, i.path)
				}
			}
		}
	})
	if seen < 20 {
		t.Errorf("only %d files were seen; the walk is broken", seen)
	}
}

// The phone gets measure, plan and apply: no gonum, nothing from flow, follow
// or internal (DESIGN: wasm).
func TestHouse_PhonePackagesStayLight(t *testing.T) {
	sources(t, func(dir, name string, file *ast.File, set *token.FileSet) {
		if strings.HasSuffix(name, "_test.go") || !(strings.HasPrefix(dir, "measure") || strings.HasPrefix(dir, "plan") || strings.HasPrefix(dir, "finding") || dir == "numeric/exact" || dir == "numeric/describe") {
			return
		}
		for _, i := range imports(file, set) {
			if strings.HasPrefix(i.path, "gonum.org") || strings.HasPrefix(i.path, "sapward/flow") {
				t.Errorf("%s: %s goes to the phone and must not import %s", i.pos, dir, i.path)
			}
		}
	})
}

func TestHouse_EveryPackageHasOneComment(t *testing.T) {
	comments := map[string][]string{}
	sources(t, func(dir, name string, file *ast.File, set *token.FileSet) {
		if strings.HasSuffix(name, "_test.go") {
			return
		}
		comments[dir] = append(comments[dir], "")
		if file.Doc != nil {
			comments[dir][len(comments[dir])-1] = name
		}
	})
	for dir, files := range comments {
		var with []string
		for _, f := range files {
			if f != "" {
				with = append(with, f)
			}
		}
		if len(with) != 1 {
			t.Errorf("%s: a package has one package comment, this one has %d (%v)", dir, len(with), with)
		}
	}
}

// Nothing of the machine it was written on, and no mark of unfinished work.
func TestHouse_NoTraces(t *testing.T) {
	traces := regexp.MustCompile(`(^|[^A-Za-z0-9_.])/(w[o]rk|t[m]p|h[o]me|r[o]ot)/|T[O]DO|F[I]XME|(?i)not i[m]plemented`)
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if d.Name() == ".git" || d.Name() == "node_modules" || d.Name() == "testdata" {
				return filepath.SkipDir
			}
			return nil
		}
		switch filepath.Ext(path) {
		case ".go", ".md", ".json", ".yaml", ".yml", ".csv", ".txt", ".py", ".R", ".ts", ".html", ".css":
		default:
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for n, line := range strings.Split(string(data), "\n") {
			if traces.MatchString(line) {
				t.Errorf("%s:%d: %s", path, n+1, strings.TrimSpace(line))
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Code files hold one subject.
func TestHouse_FilesStayShort(t *testing.T) {
	sources(t, func(dir, name string, file *ast.File, set *token.FileSet) {
		if n := set.Position(file.End()).Line; n > 700 {
			t.Errorf("%s/%s has %d lines; split it by subject", dir, name, n)
		}
	})
}
