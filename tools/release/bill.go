package main

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"net/url"
	"strings"
)

// The parts of a CycloneDX 1.6 bill of materials that are written. There is no
// time in it, so that the same build gives the same bytes; its serial number
// follows from the program's hash.
type (
	cdxBill struct {
		Schema       string          `json:"$schema"`
		Format       string          `json:"bomFormat"`
		Spec         string          `json:"specVersion"`
		Serial       string          `json:"serialNumber"`
		Version      int             `json:"version"`
		Metadata     cdxMetadata     `json:"metadata"`
		Components   []cdxComponent  `json:"components"`
		Dependencies []cdxDependency `json:"dependencies"`
	}
	cdxMetadata struct {
		Component  cdxComponent  `json:"component"`
		Properties []cdxProperty `json:"properties"`
	}
	cdxComponent struct {
		Ref      string       `json:"bom-ref"`
		Type     string       `json:"type"`
		Name     string       `json:"name"`
		Version  string       `json:"version"`
		Scope    string       `json:"scope,omitempty"`
		Hashes   []cdxHash    `json:"hashes,omitempty"`
		Licenses []cdxLicense `json:"licenses,omitempty"`
		PURL     string       `json:"purl,omitempty"`
	}
	cdxHash struct {
		Alg     string `json:"alg"`
		Content string `json:"content"`
	}
	cdxLicense struct {
		Expression string     `json:"expression,omitempty"`
		License    *cdxByName `json:"license,omitempty"`
	}
	cdxByName struct {
		ID string `json:"id"`
	}
	cdxProperty struct {
		Name  string `json:"name"`
		Value string `json:"value"`
	}
	cdxDependency struct {
		Ref       string   `json:"ref"`
		DependsOn []string `json:"dependsOn"`
	}
)

// bill is the bill of materials of one program. What depends on what is told as
// far as the program knows: it is linked from all of them.
func bill(version, name, hash string, t target, linked []module) cdxBill {
	sum := sha256.Sum256([]byte("sapward bill " + hash))
	sum[6], sum[8] = sum[6]&0x0f|0x80, sum[8]&0x3f|0x80 // RFC 9562: version 8, of the maker's own
	h := hex.EncodeToString(sum[:16])
	b := cdxBill{
		Schema: "http://cyclonedx.org/schema/bom-1.6.schema.json", Format: "CycloneDX", Spec: "1.6", Version: 1,
		Serial: fmt.Sprintf("urn:uuid:%s-%s-%s-%s-%s", h[:8], h[8:12], h[12:16], h[16:20], h[20:]),
		Metadata: cdxMetadata{
			Component:  cdxComponent{Ref: name, Type: "application", Name: "sapward", Version: version, Hashes: []cdxHash{{"SHA-256", hash}}},
			Properties: []cdxProperty{{"cdx:go:build:env:GOOS", t.os}, {"cdx:go:build:env:GOARCH", t.arch}, {"cdx:go:build:env:CGO_ENABLED", "0"}},
		},
		Components: []cdxComponent{}, Dependencies: []cdxDependency{{Ref: name, DependsOn: []string{}}},
	}
	for _, m := range linked {
		purl := "pkg:golang/" + escapedPath(m.Path) + "@" + url.PathEscape(m.Version)
		c := cdxComponent{Ref: purl, Type: "library", Name: m.Path, Version: m.Version, Scope: "required", PURL: purl}
		if strings.Contains(m.Licence, " ") {
			c.Licenses = []cdxLicense{{Expression: m.Licence}}
		} else {
			c.Licenses = []cdxLicense{{License: &cdxByName{m.Licence}}}
		}
		if raw, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(m.Sum, "h1:")); err == nil && len(raw) == 32 {
			c.Hashes = []cdxHash{{"SHA-256", hex.EncodeToString(raw)}} // of the module's files, as go.sum has it
		}
		b.Components = append(b.Components, c)
		b.Dependencies[0].DependsOn = append(b.Dependencies[0].DependsOn, purl)
		b.Dependencies = append(b.Dependencies, cdxDependency{Ref: purl, DependsOn: []string{}})
	}
	return b
}

// escapedPath is a module's path as an address of a package has it.
func escapedPath(path string) string {
	parts := strings.Split(path, "/")
	for i, p := range parts {
		parts[i] = url.PathEscape(p)
	}
	return strings.Join(parts, "/")
}
