// Command release builds Sapward for the systems it is given to people on: one
// static program each, a bill of materials each, the licences of everything
// linked, and a file of checksums. The same sources and the same Go give the
// same bytes; with -again that is shown by building a second time, from a copy
// of the sources in another folder, with nothing kept from the first.
package main

import (
	"bytes"
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"sort"
	"strings"
)

// target is a system that a program is built for.
type target struct{ os, arch string }

func (t target) String() string { return t.os + "-" + t.arch }

var targets = []target{{"linux", "amd64"}, {"linux", "arm64"}, {"windows", "amd64"}, {"darwin", "arm64"}, {"darwin", "amd64"}}

// versionForm is a version as semver.org writes it, without the v.
var versionForm = regexp.MustCompile(`^[0-9]+\.[0-9]+\.[0-9]+(-[0-9A-Za-z.-]+)?$`)

// release is what is built.
type release struct {
	source, out, version string
	say                  func(format string, args ...any)
	quick                bool // as go build builds it, for a test: not the bytes of a release
}

func main() {
	source := flag.String("source", ".", "folder of the sources")
	out := flag.String("out", "dist", "folder to write, which has to be empty or absent")
	version := flag.String("version", "", "version to stamp, such as 0.2.0")
	again := flag.String("again", "host", "what is built a second time and compared: none, host or all")
	only := flag.String("only", "", "one target, such as linux-amd64, instead of all")
	flag.Parse()
	r := release{source: *source, out: *out, version: *version, say: func(f string, a ...any) { fmt.Fprintf(os.Stderr, f+"\n", a...) }}
	if err := r.run(*only, *again); err != nil {
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

func (r release) run(only, again string) error {
	if !versionForm.MatchString(r.version) {
		return fmt.Errorf("%q is no version: write it as 0.2.0", r.version)
	}
	if again != "none" && again != "host" && again != "all" {
		return fmt.Errorf("-again is none, host or all, not %q", again)
	}
	var list []target
	for _, t := range targets {
		if only == "" || t.String() == only {
			list = append(list, t)
		}
	}
	if len(list) == 0 {
		return fmt.Errorf("%q is no target; targets are %v", only, targets)
	}
	if entries, err := os.ReadDir(r.out); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is not empty", r.out)
	}
	if err := os.MkdirAll(r.out, 0o755); err != nil {
		return err
	}
	modules := map[string]module{}
	for _, t := range list {
		path := filepath.Join(r.out, r.name(t))
		if err := r.build(r.source, path, t, ""); err != nil {
			return err
		}
		linked, err := r.describe(path, t)
		if err != nil {
			return err
		}
		for _, m := range linked {
			modules[m.Path] = m
		}
	}
	if err := r.licences(modules); err != nil {
		return err
	}
	if err := r.checksums(); err != nil {
		return err
	}
	for _, t := range list {
		if again == "all" || again == "host" && t.os == runtime.GOOS && t.arch == runtime.GOARCH {
			if err := r.rebuilt(t); err != nil {
				return err
			}
		}
	}
	return nil
}

// name is the name of a program.
func (r release) name(t target) string {
	name := fmt.Sprintf("sapward-%s-%s", r.version, t)
	if t.os == "windows" {
		name += ".exe"
	}
	return name
}

// build builds one program. cache, if any, is an empty folder for what the
// compiler makes on the way.
func (r release) build(source, path string, t target, cache string) error {
	path, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	c := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -buildid= -X sapward/internal/cli.Version="+r.version, "-o", path, "./cmd/sapward")
	c.Dir = source
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS="+t.os, "GOARCH="+t.arch, "GOFLAGS=-mod=readonly", "GOAMD64=v1", "GOARM64=v8.0", "GOWORK=off", "GOEXPERIMENT=")
	if cache != "" {
		c.Env = append(c.Env, "GOCACHE="+cache)
	}
	if r.quick { // what other tests have built is used again
		c = exec.Command("go", "build", "-ldflags", "-X sapward/internal/cli.Version="+r.version, "-o", path, "./cmd/sapward")
		c.Dir = source
	}
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w: %s", t, err, bytes.TrimSpace(out))
	}
	r.say("built %s", filepath.Base(path))
	return nil
}

// rebuilt builds a program a second time, from a copy of the sources elsewhere
// and with an empty cache, and compares.
func (r release) rebuilt(t target) (err error) {
	dir, err := os.MkdirTemp("", "sapward-again-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	source := filepath.Join(dir, "another", "place")
	if err := copySources(r.source, source); err != nil {
		return err
	}
	path := filepath.Join(dir, "program")
	if err := r.build(source, path, t, filepath.Join(dir, "cache")); err != nil {
		return err
	}
	a, err := hashOf(filepath.Join(r.out, r.name(t)))
	if err != nil {
		return err
	}
	b, err := hashOf(path)
	if err != nil {
		return err
	}
	if a != b {
		return fmt.Errorf("%s: built twice, the bytes differ: %s and %s", t, a, b)
	}
	r.say("%s built again elsewhere: the same bytes, %s", t, a)
	return nil
}

// copySources copies what a build reads.
func copySources(from, to string) error {
	return filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); rel != "." && (strings.HasPrefix(name, ".") || name == "node_modules" || name == "testdata" || rel == "check" || rel == "docs" || rel == "dist") {
				return filepath.SkipDir
			}
			return os.MkdirAll(filepath.Join(to, rel), 0o755)
		}
		if !d.Type().IsRegular() {
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, rel), data, 0o644)
	})
}

// describe writes the bill of materials of a program and returns what it is
// linked from.
func (r release) describe(path string, t target) ([]module, error) {
	info, err := buildinfo.ReadFile(path)
	if err != nil {
		return nil, err
	}
	hash, err := hashOf(path)
	if err != nil {
		return nil, err
	}
	dirs, err := moduleDirs(r.source)
	if err != nil {
		return nil, err
	}
	linked := []module{{Path: "std", Version: strings.TrimPrefix(info.GoVersion, "go"), dir: goRoot(r.source)}}
	for _, d := range info.Deps {
		if d.Replace != nil {
			d = d.Replace
		}
		linked = append(linked, module{Path: d.Path, Version: d.Version, Sum: d.Sum, dir: dirs[d.Path]})
	}
	for i := range linked {
		if err := linked[i].read(); err != nil {
			return nil, err
		}
	}
	data, err := json.MarshalIndent(bill(r.version, r.name(t), hash, t, linked), "", "  ")
	if err != nil {
		return nil, err
	}
	return linked, os.WriteFile(path+".cdx.json", append(data, '\n'), 0o644)
}

// goRoot is the folder of the Go that builds.
func goRoot(source string) string {
	c := exec.Command("go", "env", "GOROOT")
	c.Dir = source
	out, _ := c.Output()
	return strings.TrimSpace(string(out))
}

// moduleDirs is where the sources of each module lie.
func moduleDirs(source string) (map[string]string, error) {
	c := exec.Command("go", "list", "-m", "-f", "{{.Path}}\t{{.Dir}}", "all")
	c.Dir = source
	c.Env = append(os.Environ(), "GOFLAGS=-mod=readonly", "GOWORK=off")
	out, err := c.Output()
	if err != nil {
		var x *exec.ExitError
		if errors.As(err, &x) {
			err = fmt.Errorf("%w: %s", err, x.Stderr)
		}
		return nil, err
	}
	dirs := map[string]string{}
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		path, dir, _ := strings.Cut(line, "\t")
		dirs[path] = dir
	}
	return dirs, nil
}

// checksums writes SHA256SUMS as sha256sum -c reads it.
func (r release) checksums() error {
	list, err := os.ReadDir(r.out)
	if err != nil {
		return err
	}
	var b strings.Builder
	for _, e := range list {
		hash, err := hashOf(filepath.Join(r.out, e.Name()))
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "%s  %s\n", hash, e.Name())
	}
	return os.WriteFile(filepath.Join(r.out, "SHA256SUMS"), []byte(b.String()), 0o644)
}

func hashOf(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	sum := sha256.New()
	_, err = io.Copy(sum, f)
	return hex.EncodeToString(sum.Sum(nil)), err
}

// licences writes the licences of everything that is linked or embedded.
func (r release) licences(modules map[string]module) error {
	list := make([]module, 0, len(modules))
	for _, m := range modules {
		list = append(list, m)
	}
	for _, e := range embedded {
		m := module{Path: e.name, Version: "", dir: r.source}
		for _, f := range e.files {
			data, err := os.ReadFile(filepath.Join(r.source, filepath.FromSlash(f)))
			if err != nil {
				return err
			}
			m.texts = append(m.texts, string(data))
		}
		var err error
		if m.Licence, err = licenceOf(m.Path, m.texts); err != nil {
			return err
		}
		list = append(list, m)
	}
	sort.Slice(list, func(i, k int) bool { return list[i].Path < list[k].Path })
	var b strings.Builder
	b.WriteString("What this program is linked from, and under which licences.\n\n")
	for _, m := range list {
		fmt.Fprintf(&b, "  %-60s %s\n", strings.TrimSpace(m.Path+" "+m.Version), m.Licence)
	}
	for _, m := range list {
		fmt.Fprintf(&b, "\n%s\n%s\n", strings.Repeat("=", 80), strings.TrimSpace(m.Path+" "+m.Version))
		for _, text := range m.texts {
			fmt.Fprintf(&b, "%s\n%s\n", strings.Repeat("-", 80), strings.TrimRight(text, "\n"))
		}
	}
	return os.WriteFile(filepath.Join(r.out, "LICENCES.txt"), []byte(b.String()), 0o644)
}

// embedded are files of others that are inside the program and no Go module.
var embedded = []struct {
	name  string
	files []string
}{
	{"htmx", []string{"internal/web/static/vendor/htmx.LICENSE.txt"}},
	{"the font Atkinson Hyperlegible", []string{"internal/web/static/font/OFL.txt"}},
	{"idb", []string{"ui/vendor/idb/LICENSE"}},
	{"wasm_exec.js of Go", []string{"internal/web/phone/wasm_exec.LICENSE.txt"}},
}

// module is one thing that is linked.
type module struct {
	Path, Version, Sum, Licence string
	dir                         string
	texts                       []string
}

var licenceFile = regexp.MustCompile(`(?i)^((un)?licen[cs]e|copying|notice|copyright|patents)([.-].*)?$`)

// read reads the licence files at the root of a module.
func (m *module) read() error {
	list, err := os.ReadDir(m.dir)
	if err != nil || m.dir == "" {
		return fmt.Errorf("%s: its sources are not here: %v", m.Path, err)
	}
	for _, e := range list {
		if !e.Type().IsRegular() || !licenceFile.MatchString(e.Name()) {
			continue
		}
		data, err := os.ReadFile(filepath.Join(m.dir, e.Name()))
		if err != nil {
			return err
		}
		m.texts = append(m.texts, string(data))
	}
	m.Licence, err = licenceOf(m.Path, m.texts)
	return err
}

// licenceOf names a licence by what its text cannot be without. A text that is
// not known stops the release: a person has to read it first.
func licenceOf(path string, texts []string) (string, error) {
	var found []string
	for _, text := range texts {
		t := strings.Join(strings.Fields(strings.ToLower(text)), " ")
		has := func(s string) bool { return strings.Contains(t, s) }
		id := ""
		switch {
		case has("apache license") && has("version 2.0"):
			id = "Apache-2.0"
		case has("mozilla public license") && has("2.0"):
			id = "MPL-2.0"
		case has("sil open font license"):
			id = "OFL-1.1"
		case has("permission is hereby granted, free of charge"):
			id = "MIT"
		case has("redistribution and use in source and binary forms") && (has("neither the name") || has("names of its contributors may")):
			id = "BSD-3-Clause"
		case has("redistribution and use in source and binary forms"):
			id = "BSD-2-Clause"
		case has("permission to use, copy, modify, and") && has("for any purpose with or without fee"):
			id = "ISC"
		case has("free and unencumbered software released into the public domain"):
			id = "Unlicense"
		case has("zero-clause bsd") || has("permission to use, copy, modify, and/or distribute this software for any purpose with or without fee is hereby granted."):
			id = "0BSD"
		}
		if id != "" && !slices.Contains(found, id) {
			found = append(found, id)
		}
	}
	if len(found) == 0 {
		return "", fmt.Errorf("%s: its licence is not known (%d files); read it, and teach licenceOf", path, len(texts))
	}
	return strings.Join(found, " AND "), nil
}
