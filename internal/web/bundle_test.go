package web

import (
	"bytes"
	"compress/gzip"
	"flag"
	"os"
	"testing"

	"github.com/evanw/esbuild/pkg/api"
)

var update = flag.Bool("update", false, "write the bundles of ui/ anew")

// The script of the pages is bundled from ui/ and checked in; this says when
// the two have drifted apart. go generate ./internal/web writes it anew.
func TestBundle_IsFresh(t *testing.T) {
	res := api.Build(api.BuildOptions{
		EntryPoints: []string{"../../ui/app.ts"}, Bundle: true, Format: api.FormatIIFE, Target: api.ES2020,
		MinifyWhitespace: true, MinifyIdentifiers: true, MinifySyntax: true, LogLevel: api.LogLevelSilent,
		Banner: map[string]string{"js": "/* bundled from ui/ by go generate ./internal/web */"},
	})
	for _, m := range res.Errors {
		t.Errorf("%s: %s", m.Location.File, m.Text)
	}
	if t.Failed() {
		return
	}
	want := res.OutputFiles[0].Contents
	const path = "static/app.js"
	if *update {
		if err := os.WriteFile(path, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("%s differs from ui/: run go generate ./internal/web (%v)", path, err)
	}
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	_, _ = w.Write(got)
	_ = w.Close()
	if z.Len() > 12<<10 {
		t.Errorf("the script has %d bytes compressed; it is meant to stay small", z.Len())
	}
}
