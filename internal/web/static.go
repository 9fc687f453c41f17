package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"sync"

	"github.com/andybalholm/brotli"

	"sapward/internal/draw"
)

//go:embed static
var staticFiles embed.FS

// asset is one static file under a name that carries its hash, so that a
// browser may keep it for ever.
type asset struct {
	url, kind string
	data      []byte
	packed    func() (br, gz []byte)
}

var kinds = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".woff2": "font/woff2", ".svg": "image/svg+xml", ".txt": "text/plain; charset=utf-8",
}

// assets reads the embedded files, puts the drawings' style sheet beside them,
// and returns them by plain name and by address.
func assets() (byName, byURL map[string]*asset) {
	byName, byURL = map[string]*asset{}, map[string]*asset{}
	add := func(name string, data []byte) {
		ext := path.Ext(name)
		sum := sha256.Sum256(data)
		a := &asset{
			url:  "/static/" + strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext,
			kind: kinds[ext], data: data,
		}
		a.packed = sync.OnceValues(func() (br, gz []byte) { return pack(data, ext) })
		byName[name], byURL[a.url] = a, a
	}
	var later []string
	_ = fs.WalkDir(staticFiles, "static", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name := strings.TrimPrefix(p, "static/")
		if path.Ext(name) == ".css" {
			later = append(later, name)
			return nil
		}
		data, err := staticFiles.ReadFile(p)
		if err == nil {
			add(name, data)
		}
		return err
	})
	add("draw.css", []byte(draw.Stylesheet()))
	for _, name := range later {
		data, _ := staticFiles.ReadFile("static/" + name)
		for other, a := range byName {
			data = bytes.ReplaceAll(data, []byte(`url("`+other+`")`), []byte(`url("`+a.url+`")`))
		}
		add(name, data)
	}
	return byName, byURL
}

// pack compresses text; a font is compressed already.
func pack(data []byte, ext string) (br, gz []byte) {
	if ext == ".woff2" {
		return nil, nil
	}
	var b, g bytes.Buffer
	bw := brotli.NewWriterLevel(&b, brotli.BestCompression)
	_, _ = bw.Write(data)
	_ = bw.Close()
	gw, _ := gzip.NewWriterLevel(&g, gzip.BestCompression)
	_, _ = gw.Write(data)
	_ = gw.Close()
	return b.Bytes(), g.Bytes()
}

func (s *Server) serveStatic(w http.ResponseWriter, r *http.Request) {
	a := s.byURL[r.URL.Path]
	if a == nil {
		s.fail(w, r, missingPage())
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("Vary", "Accept-Encoding")
	br, gz := a.packed()
	data := a.data
	switch accepted := r.Header.Get("Accept-Encoding"); {
	case br != nil && strings.Contains(accepted, "br"):
		h.Set("Content-Encoding", "br")
		data = br
	case gz != nil && strings.Contains(accepted, "gzip"):
		h.Set("Content-Encoding", "gzip")
		data = gz
	}
	_, _ = w.Write(data)
}
