package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"io"
	"net/http"
	"path"
	"sort"
	"strings"
	"sync"

	"github.com/andybalholm/brotli"
)

//go:embed phone
var phoneEmbedded embed.FS

// phonePolicy is the policy of the phone page: the program's own, with the core
// compiled from WebAssembly, its worker, and pictures the page itself made.
const phonePolicy = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' blob:; font-src 'self'; connect-src 'self'; worker-src 'self'; manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// phonePermissions allow the camera, for tags and pictures, and the position.
const phonePermissions = "camera=(self), geolocation=(self), microphone=(), payment=(), usb=()"

// phoneAsset is one file of the phone page, as it is and compressed; each is
// made when it is first asked for.
type phoneAsset struct {
	kind, tag   string
	raw, br, gz func() []byte
}

var phoneKinds = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".json": "application/json", ".webmanifest": "application/manifest+json", ".svg": "image/svg+xml",
	".wasm": "application/wasm", ".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8",
}

// phoneFiles are the files by name. The shell and the service worker name the
// others with the hash of their content, so a browser may keep those for ever;
// the service worker carries one version for all.
var phoneFiles = sync.OnceValue(func() map[string]*phoneAsset {
	out := map[string]*phoneAsset{}
	hash := func(data []byte) string {
		sum := sha256.Sum256(data)
		return hex.EncodeToString(sum[:8])
	}
	add := func(name string, data []byte) {
		ext := path.Ext(name)
		both := sync.OnceValues(func() (br, gz []byte) { return pack(data, ext) })
		out[name] = &phoneAsset{kind: phoneKinds[ext], tag: hash(data), raw: func() []byte { return data },
			br: func() []byte { br, _ := both(); return br }, gz: func() []byte { _, gz := both(); return gz }}
	}
	read := func(name string) []byte {
		data, err := phoneEmbedded.ReadFile("phone/" + name)
		if err != nil {
			panic(err) // embedded
		}
		return data
	}
	core := read("core.wasm.br")
	unpacked := sync.OnceValue(func() []byte {
		data, err := io.ReadAll(brotli.NewReader(bytes.NewReader(core)))
		if err != nil {
			panic(err) // embedded
		}
		return data
	})
	out["core.wasm"] = &phoneAsset{kind: phoneKinds[".wasm"], tag: hash(core), raw: unpacked,
		br: func() []byte { return core }, gz: sync.OnceValue(func() []byte { return gzipped(unpacked()) })}
	for _, name := range []string{"app.js", "wasm_exec.js", "wasm_exec.LICENSE.txt", "icon.svg"} {
		add(name, read(name))
	}
	font, err := staticFiles.ReadFile("static/font/hyperlegible.woff2")
	if err != nil {
		panic(err) // embedded
	}
	add("hyperlegible.woff2", font)
	add("words.json", wordsJSON())
	named := func(data []byte) []byte {
		for name, a := range out {
			data = bytes.ReplaceAll(data, []byte(`"`+name+`"`), []byte(`"`+name+"?v="+a.tag+`"`))
		}
		return data
	}
	add("manifest.webmanifest", named(read("manifest.webmanifest")))
	add("app.css", named(read("app.css")))
	shell := named(read("index.html"))
	add("", shell)
	out[""].kind = phoneKinds[".html"]
	list := []string{"./"}
	all := hash(shell) + hash(read("sw.js"))
	for name, a := range out {
		if name != "" && name != "wasm_exec.LICENSE.txt" {
			list = append(list, name+"?v="+a.tag)
		}
	}
	sort.Strings(list)
	head, err := json.Marshal(map[string]any{"version": hash([]byte(all + strings.Join(list, " "))), "files": list})
	if err != nil {
		panic(err) // strings only
	}
	add("sw.js", append([]byte("const SHELF="+string(head)+";\n"), read("sw.js")...))
	return out
})

func gzipped(data []byte) []byte {
	var b bytes.Buffer
	w, _ := gzip.NewWriterLevel(&b, gzip.BestCompression)
	_, _ = w.Write(data)
	_ = w.Close()
	return b.Bytes()
}

// phoneFile serves the phone page's own files: GET /phone/ and GET
// /phone/{file}. They are the same for everybody and hold no data.
func (s *Server) phoneFile(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/phone/")
	a := phoneFiles()[name]
	if a == nil {
		s.fail(w, r, missingPage())
		return
	}
	h := w.Header()
	h.Set("Content-Security-Policy", phonePolicy)
	h.Set("Permissions-Policy", phonePermissions)
	h.Set("Content-Type", a.kind)
	h.Set("Vary", "Accept-Encoding")
	h.Set("ETag", `"`+a.tag+`"`)
	h.Set("Cache-Control", "no-cache")
	if name == "sw.js" {
		h.Set("Service-Worker-Allowed", "/phone/")
	} else if r.URL.Query().Get("v") == a.tag {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	if strings.Contains(r.Header.Get("If-None-Match"), `"`+a.tag+`"`) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	var data []byte
	accepted := r.Header.Get("Accept-Encoding")
	if strings.Contains(accepted, "br") {
		data = a.br()
		h.Set("Content-Encoding", "br")
	}
	if data == nil && strings.Contains(accepted, "gzip") {
		data = a.gz()
		h.Set("Content-Encoding", "gzip")
	}
	if data == nil {
		h.Del("Content-Encoding")
		data = a.raw()
	}
	_, _ = w.Write(data)
}
