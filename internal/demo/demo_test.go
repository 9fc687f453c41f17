package demo

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the generated files")

// The checked-in files are what the generator makes from its seed.
func TestFiles_AreGenerated(t *testing.T) {
	want := Generate(Seed)
	if *update {
		for name, data := range want {
			path := filepath.Join("files", filepath.FromSlash(name))
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		return
	}
	got := Files()
	for name, data := range want {
		if !bytes.Equal(got[name], data) {
			t.Errorf("%s differs from what seed %d generates; run the test with -update", name, Seed)
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d files checked in, %d generated", len(got), len(want))
	}
}

// Everything says that it is invented.
func TestFiles_SayInvented(t *testing.T) {
	for name, data := range Files() {
		if name == "commands.txt" {
			continue
		}
		if first, _, _ := strings.Cut(string(data), "\n"); !strings.Contains(first, "Invented") {
			t.Errorf("%s does not say so in its first line: %q", name, first)
		}
	}
}
