package web

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/andybalholm/brotli"

	"sapward/internal/draw"
	"sapward/internal/lang"
)

func phoneGet(t *testing.T, path string, header ...string) *http.Response {
	t.Helper()
	h, err := New(nil, Options{Local: true})
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func bodyOf(t *testing.T, r *http.Response) []byte {
	t.Helper()
	data, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// The phone's files come with their own policy, by their kind, compressed as
// the browser can read it, and may be kept for ever under their hash.
func TestPhoneFiles_AreServed(t *testing.T) {
	shell := phoneGet(t, "/phone/")
	text := string(bodyOf(t, shell))
	if shell.StatusCode != 200 || !strings.Contains(shell.Header.Get("Content-Security-Policy"), "'wasm-unsafe-eval'") || !strings.Contains(shell.Header.Get("Content-Security-Policy"), "img-src 'self' blob:") {
		t.Fatalf("%d %v", shell.StatusCode, shell.Header)
	}
	if !strings.Contains(shell.Header.Get("Permissions-Policy"), "camera=(self), geolocation=(self)") || shell.Header.Get("Cache-Control") != "no-cache" {
		t.Errorf("%v", shell.Header)
	}
	core := regexp.MustCompile(`data-core="(core\.wasm\?v=[0-9a-f]+)"`).FindStringSubmatch(text)
	if core == nil {
		t.Fatalf("no core in %s", text)
	}
	plain := bodyOf(t, phoneGet(t, "/phone/"+core[1]))
	if !bytes.HasPrefix(plain, []byte("\x00asm")) {
		t.Errorf("the core begins with %q", plain[:8])
	}
	for _, enc := range []string{"br", "gzip"} {
		res := phoneGet(t, "/phone/"+core[1], "Accept-Encoding", enc)
		if res.Header.Get("Content-Encoding") != enc || res.Header.Get("Content-Type") != "application/wasm" || !strings.Contains(res.Header.Get("Cache-Control"), "immutable") || res.Header.Get("Vary") != "Accept-Encoding" {
			t.Errorf("%s: %v", enc, res.Header)
		}
		var in io.Reader = brotli.NewReader(res.Body)
		if enc == "gzip" {
			z, err := gzip.NewReader(res.Body)
			if err != nil {
				t.Fatal(err)
			}
			in = z
		}
		if got, err := io.ReadAll(in); err != nil || !bytes.Equal(got, plain) {
			t.Errorf("%s: %d bytes, %v", enc, len(got), err)
		}
	}
	worker := phoneGet(t, "/phone/sw.js")
	if worker.Header.Get("Service-Worker-Allowed") != "/phone/" || worker.Header.Get("Cache-Control") != "no-cache" {
		t.Errorf("%v", worker.Header)
	}
	head, _, _ := strings.Cut(strings.TrimPrefix(string(bodyOf(t, worker)), "const SHELF="), ";\n")
	var shelf struct {
		Version string   `json:"version"`
		Files   []string `json:"files"`
	}
	if err := json.Unmarshal([]byte(head), &shelf); err != nil || shelf.Version == "" || len(shelf.Files) < 8 {
		t.Fatalf("%v %+v", err, shelf)
	}
	for _, f := range shelf.Files {
		res := phoneGet(t, "/phone/"+strings.TrimPrefix(f, "./"))
		if res.StatusCode != 200 || res.Header.Get("Content-Type") == "" {
			t.Errorf("%s: %d %q", f, res.StatusCode, res.Header.Get("Content-Type"))
		}
		if again := phoneGet(t, "/phone/"+strings.TrimPrefix(f, "./"), "If-None-Match", res.Header.Get("ETag")); again.StatusCode != http.StatusNotModified {
			t.Errorf("%s: %d with its own tag", f, again.StatusCode)
		}
	}
	for _, m := range regexp.MustCompile(`(?:href|src|data-\w+)="([^"]+)"`).FindAllStringSubmatch(text, -1) {
		if !strings.Contains(m[1], "?v=") {
			t.Errorf("%s has no hash", m[1])
		}
	}
	for _, name := range []string{"core.wasm.br", "core.sources", "nothing.js"} {
		if res := phoneGet(t, "/phone/"+name); res.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d", name, res.StatusCode)
		}
	}
	var gz bytes.Buffer
	w, _ := gzip.NewWriterLevel(&gz, gzip.BestCompression)
	_, _ = w.Write(bodyOf(t, phoneGet(t, "/phone/app.js")))
	_ = w.Close()
	if gz.Len() > 32<<10 {
		t.Errorf("the phone's script has %d bytes compressed; it is meant to stay small", gz.Len())
	}
}

// Every text the phone's scripts name is among its words, in both languages,
// and every finding that the log of a day can make.
func TestPhoneWords_AreWhole(t *testing.T) {
	words := phoneWords()
	files, err := filepath.Glob("../../ui/phone/*.ts")
	if err != nil || len(files) < 10 {
		t.Fatalf("%v %v", files, err)
	}
	found := 0
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile("[\"`](phone-[a-z0-9-]+|caution-[a-z-]+|gear-[a-z]+|invented|practice-only)([\"`$])").FindAllStringSubmatch(string(data), -1) {
			if m[1] == "phone-export" || strings.Contains(string(data), `"`+m[1]+`/`) {
				continue
			}
			found++
			known := false
			for id := range words["en"] {
				known = known || id == m[1] || m[2] == "$" && strings.HasPrefix(id, m[1])
			}
			if !known {
				t.Errorf("%s: %q is not among the phone's words", f, m[1])
			}
		}
	}
	if found < 150 {
		t.Errorf("only %d texts found", found)
	}
	for _, s := range []string{"fieldlog", "phone", "cautions", "plan", "port"} {
		for id := range lang.Subject(s) {
			if words["en"][id] == "" || words["es"][id] == "" {
				t.Errorf("%s of %s is not among the phone's words", id, s)
			}
		}
	}
	for id, stages := range map[string][]string{
		"phone-port-": {"planned", "marked", "drilled", "set", "loaded", "delivering", "delivered", "closed", "given-up", "leaking", "refused"},
		"phone-tree-": {"to-do", "under-way", "waiting", "done", "skipped", "refused"},
		"phone-":      {"return-read", "return-close", "return-leaking", "return-unfinished", "return-skipped", "return-conflict"},
		"phone-kind-": {"start", "tape", "cleaned", "skip", "done", "note", "photo", "incident", "void", "decide", "mark", "drill", "hole", "set", "load", "begin", "read", "leak", "refuse", "move", "give-up", "seal", "pull", "leave", "draw", "return"},
	} {
		for _, s := range stages {
			if words["es"][id+s] == "" {
				t.Errorf("%s%s is not among the phone's words", id, s)
			}
		}
	}
}

// Text on the phone has a contrast of 7 (WCAG 2.2, 1.4.6), shapes that carry
// meaning 3 (1.4.11), in all three schemes.
func TestPhoneColours_HaveContrast(t *testing.T) {
	css, err := phoneEmbedded.ReadFile("phone/app.css")
	if err != nil {
		t.Fatal(err)
	}
	read := func(after string) map[string]draw.RGB {
		_, rest, ok := strings.Cut(string(css), "/* "+after+" */")
		if !ok {
			t.Fatalf("no block %q", after)
		}
		block, _, _ := strings.Cut(rest, "--shade")
		out := map[string]draw.RGB{}
		for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{6});`).FindAllStringSubmatch(block, -1) {
			n, _ := strconv.ParseUint(m[2], 16, 32)
			out[m[1]] = draw.RGB{R: uint8(n >> 16), G: uint8(n >> 8), B: uint8(n)}
		}
		return out
	}
	text := [][2]string{
		{"ink", "page"}, {"ink", "paper"}, {"ink", "well"}, {"ink", "wood"}, {"ink", "wait-soft"}, {"ink", "leaf-soft"}, {"muted", "page"}, {"muted", "paper"}, {"muted", "well"},
		{"on-leaf", "leaf"}, {"leaf", "leaf-soft"}, {"wait", "wait-soft"}, {"wait", "paper"}, {"warn", "warn-soft"}, {"warn", "paper"}, {"warn", "page"}, {"on-warn", "warn"},
		{"link", "page"}, {"link", "paper"}, {"spine-ink", "spine"}, {"tape-ink", "tape"}, {"page", "ink"},
	}
	shapes := [][2]string{{"edge", "page"}, {"edge", "paper"}, {"focus", "page"}, {"focus", "paper"}, {"leaf", "page"}, {"wait", "page"}, {"warn", "wood"}, {"tape", "spine"}, {"leaf", "paper"}}
	for _, scheme := range []string{"tokens light", "tokens dark", "tokens dark, by the system"} {
		c := read(scheme)
		for least, pairs := range map[float64][][2]string{7: text, 3: shapes} {
			for _, p := range pairs {
				a, okA := c[p[0]]
				b, okB := c[p[1]]
				if !okA || !okB {
					t.Errorf("%s: %v is not a token", scheme, p)
				} else if got := draw.Contrast(a, b); got < least {
					t.Errorf("%s: %s on %s has %.2f, needs %.0f", scheme, p[0], p[1], got, least)
				}
			}
		}
	}
	dark, system := read("tokens dark"), read("tokens dark, by the system")
	for name, v := range dark {
		if system[name] != v {
			t.Errorf("%s differs between the dark scheme that is chosen and the system's", name)
		}
	}
}

// Findings about one tree have words of their own on the phone: none counts
// the one tree a person stands at.
func TestPhoneWords_SpeakOfOneTree(t *testing.T) {
	words := phoneWords()
	for _, l := range []string{"en", "es"} {
		for _, id := range []string{"phone-this-tree", "phone-one-flare-untaped", "phone-one-flare-smaller", "phone-one-tree-symptomatic", "phone-one-dose-under-single-rate", "phone-one-bearing-needed"} {
			if text := words[l][id]; text == "" || strings.Contains(text, "{{") {
				t.Errorf("%s %s: %q", l, id, text)
			}
			if of, ok := strings.CutPrefix(id, "phone-one-"); ok && words[l][of] == "" {
				t.Errorf("%s: no finding %s", l, of)
			}
		}
	}
}
