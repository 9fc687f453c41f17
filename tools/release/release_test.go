package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// schema is the published schema of CycloneDX 1.6 with the two it names.
func schema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	for _, name := range []string{"bom-1.6.schema.json", "spdx.schema.json", "jsf-0.82.schema.json"} {
		data, err := os.ReadFile(filepath.Join("..", "..", "check", "16_cyclonedx", name))
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		if err := c.AddResource("http://cyclonedx.org/schema/"+name, doc); err != nil {
			t.Fatal(err)
		}
	}
	s, err := c.Compile("http://cyclonedx.org/schema/bom-1.6.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A release for this machine: the program runs and says its version, its bill
// of materials is what the schema asks for and names what is linked, every
// licence is there, and sha256sum agrees. SAPWARD_SOAK=1 builds as make release
// does: for all systems, and this one a second time elsewhere: the same bytes.
func TestRelease(t *testing.T) {
	if testing.Short() {
		t.Skip("building a release takes a while; run without -short")
	}
	host := target{runtime.GOOS, runtime.GOARCH}
	only, again, list := host.String(), "none", []target{host}
	if os.Getenv("SAPWARD_SOAK") == "1" {
		only, again, list = "", "host", targets
	}
	r := release{source: filepath.Join("..", ".."), out: filepath.Join(t.TempDir(), "dist"), version: "9.8.7-test", say: t.Logf, quick: os.Getenv("SAPWARD_SOAK") != "1"}
	if err := r.run(only, again); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(filepath.Join(r.out, r.name(host)), "version").Output()
	if err != nil || string(out) != "sapward 9.8.7-test\n" {
		t.Errorf("it says %q, %v", out, err)
	}
	s := schema(t)
	licences, err := os.ReadFile(filepath.Join(r.out, "LICENCES.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range list {
		data, err := os.ReadFile(filepath.Join(r.out, r.name(x)+".cdx.json"))
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(doc); err != nil {
			t.Errorf("%s: %v", x, err)
		}
		var b cdxBill
		if err := json.Unmarshal(data, &b); err != nil {
			t.Fatal(err)
		}
		names := map[string]bool{}
		for _, c := range b.Components {
			names[c.Name] = true
			if !strings.Contains(string(licences), "\n"+c.Name+" "+c.Version+"\n") {
				t.Errorf("%s: the licence of %s is not there", x, c.Name)
			}
			if c.Name != "std" && len(c.Hashes) != 1 {
				t.Errorf("%s has no hash", c.Name)
			}
		}
		for _, want := range []string{"std", "modernc.org/sqlite", "github.com/jackc/pgx/v5", "gonum.org/v1/gonum"} {
			if !names[want] {
				t.Errorf("%s: %s is linked and not named", x, want)
			}
		}
		for _, no := range []string{"pgregory.net/rapid", "github.com/chromedp/chromedp", "github.com/evanw/esbuild"} {
			if names[no] {
				t.Errorf("%s: %s is for tests and linked", x, no)
			}
		}
	}
	c := exec.Command("sha256sum", "-c", "--strict", "SHA256SUMS")
	c.Dir = r.out
	if out, err := c.CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
	if file, err := exec.LookPath("file"); err == nil {
		for _, x := range list {
			out, _ := exec.Command(file, "-b", filepath.Join(r.out, r.name(x))).Output()
			want := map[string]string{"linux-amd64": "ELF 64-bit LSB executable, x86-64", "linux-arm64": "ELF 64-bit LSB executable, ARM aarch64", "windows-amd64": "PE32+ executable", "darwin-arm64": "Mach-O 64-bit arm64", "darwin-amd64": "Mach-O 64-bit x86_64"}[x.String()]
			if !strings.Contains(string(out), want) || strings.HasPrefix(x.os, "linux") && !r.quick && !strings.Contains(string(out), "statically linked") {
				t.Errorf("%s is %s", x, out)
			}
		}
	}
	if err := r.run(only, "none"); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("over an older release: %v", err)
	}
}

// What is asked for wrongly is said, and a licence that nobody knows stops the
// release.
func TestRelease_Refuses(t *testing.T) {
	for _, c := range []struct{ version, only, again, want string }{
		{"v1", "", "none", "no version"}, {"1.0.0", "plan9-386", "none", "no target"}, {"1.0.0", "", "often", "not \"often\""},
	} {
		r := release{source: "../..", out: t.TempDir(), version: c.version, say: t.Logf}
		if err := r.run(c.only, c.again); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	for text, want := range map[string]string{
		"Permission is hereby granted,\n free of charge, to any person":          "MIT",
		"Apache License\n Version 2.0, January 2004":                             "Apache-2.0",
		"Redistribution and use in source and binary forms ... Neither the name": "BSD-3-Clause",
		"Redistribution and use in source and binary forms":                      "BSD-2-Clause",
		"all rights reserved": "",
	} {
		if got, err := licenceOf("x", []string{text}); got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q %v", text, got, err)
		}
	}
}
