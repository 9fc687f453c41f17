package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"github.com/andybalholm/brotli"
	"github.com/evanw/esbuild/pkg/api"
)

var updateCore = flag.Bool("update-core", false, "build the phone's core anew from wasm/ (make wasm)")

// The phone's scripts are bundled from ui/phone and checked in.
func TestBundle_IsFreshForThePhone(t *testing.T) {
	for _, name := range []string{"app", "sw"} {
		res := api.Build(api.BuildOptions{
			EntryPoints: []string{"../../ui/phone/" + name + ".ts"}, Bundle: true, Format: api.FormatIIFE, Target: api.ES2020,
			MinifyWhitespace: true, MinifyIdentifiers: true, MinifySyntax: true, LogLevel: api.LogLevelSilent,
			Banner: map[string]string{"js": "/* bundled from ui/phone by go generate ./internal/web; idb 8.0.4 (ISC) is in ui/vendor/idb */"},
		})
		for _, m := range res.Errors {
			t.Errorf("%s: %s", m.Location.File, m.Text)
		}
		if t.Failed() {
			return
		}
		want, path := res.OutputFiles[0].Contents, "phone/"+name+".js"
		if *update {
			if err := os.WriteFile(path, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s differs from ui/phone: run go generate ./internal/web (%v)", path, err)
		}
	}
}

// coreSources lists the program's own files that go into the core, with their
// SHA-256: builds of different Go versions differ, the sources do not.
func coreSources(t *testing.T) string {
	t.Helper()
	cmd := exec.Command("go", "list", "-deps", "-f", `{{if not .Standard}}{{$d := .Dir}}{{range .GoFiles}}{{$d}}/{{.}}{{"\n"}}{{end}}{{end}}`, "./wasm")
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, file := range strings.Fields(string(out)) {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		rel, err := filepath.Rel(root, file)
		if err != nil || strings.HasPrefix(rel, "..") {
			t.Errorf("%s goes into the phone's core and is not of this program", file)
		}
		sum := sha256.Sum256(data)
		lines = append(lines, hex.EncodeToString(sum[:])+"  "+filepath.ToSlash(rel))
	}
	sort.Strings(lines)
	return strings.Join(lines, "\n") + "\n"
}

// mostCore is how large the core may be compressed: 0.9 MB of 1,000,000 bytes.
const mostCore = 900_000

// The core of the phone is built from wasm/ and checked in, with the list of
// the sources it was built from; make wasm builds it anew.
func TestCore_IsFresh(t *testing.T) {
	want := coreSources(t)
	const packed, list = "phone/core.wasm.br", "phone/core.sources"
	if *updateCore {
		raw := filepath.Join(t.TempDir(), "core.wasm")
		cmd := exec.Command("go", "build", "-trimpath", "-gcflags=all=-l", "-ldflags", "-s -w", "-o", raw, "./wasm")
		cmd.Dir = "../.."
		cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm", "GOEXPERIMENT=nojsonv2", "CGO_ENABLED=0")
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		data, err := os.ReadFile(raw)
		if err != nil {
			t.Fatal(err)
		}
		whole := len(data)
		if data, err = lean(data); err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		w := brotli.NewWriterOptions(&b, brotli.WriterOptions{Quality: 11, LGWin: 24})
		if _, err := w.Write(data); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		goroot, err := exec.Command("go", "env", "GOROOT").Output()
		if err != nil {
			t.Fatal(err)
		}
		start, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(goroot)), "lib", "wasm", "wasm_exec.js"))
		if err != nil {
			t.Fatal(err)
		}
		for path, data := range map[string][]byte{packed: b.Bytes(), list: []byte(want), "phone/wasm_exec.js": start} {
			if err := os.WriteFile(path, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		fmt.Printf("core: %d bytes, %d compressed\n", whole, b.Len())
	}
	got, err := os.ReadFile(list)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		had := map[string]bool{}
		for _, l := range strings.Split(string(got), "\n") {
			had[l] = true
		}
		for _, l := range strings.Split(want, "\n") {
			if !had[l] {
				t.Logf("changed: %s", l)
			}
		}
		t.Error("the phone's core is older than its sources: run make wasm")
	}
	info, err := os.Stat(packed)
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() > mostCore {
		t.Errorf("the core has %d bytes compressed, more than %d", info.Size(), mostCore)
	}
}
