package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"

	"github.com/klauspost/compress/gzhttp"
)

// asset is one file for the browser, packed once at the start.
type asset struct {
	kind   string // its media type
	body   []byte
	packed []byte // nil: packing does not make it smaller
	mark   string // of its content
}

// readAssets packs all files for the browser.
func readAssets(files fs.FS) (map[string]asset, error) {
	all := map[string]asset{}
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := fs.ReadFile(files, name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(body)
		a := asset{kind: mime.TypeByExtension(path.Ext(name)), body: body, mark: hex.EncodeToString(sum[:8])}
		switch path.Ext(name) { // a small system knows few types
		case ".js":
			a.kind = "text/javascript; charset=utf-8"
		case ".css":
			a.kind = "text/css; charset=utf-8"
		case ".webmanifest":
			a.kind = "application/manifest+json"
		case ".png":
			a.kind = "image/png"
		case ".svg":
			a.kind = "image/svg+xml"
		case "":
			a.kind = "text/plain; charset=utf-8"
		}
		var b bytes.Buffer
		w, _ := gzip.NewWriterLevel(&b, gzip.BestCompression) // the level exists
		_, _ = w.Write(body)                                  // into memory
		_ = w.Close()
		if b.Len() < len(body)*9/10 {
			a.packed = b.Bytes()
		}
		all[name] = a
		return nil
	})
	return all, err
}

// assetURL is where a page finds a file: its address changes with its content,
// so that a browser keeps it for good and yet never shows an old one.
func assetURL(all map[string]asset, name string) template.URL {
	return template.URL("/assets/" + name + "?v=" + all[name].mark)
}

func (s *screens) asset(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	tag := `"` + a.mark + `"`
	h.Set("ETag", tag)
	h.Set("Vary", "Accept-Encoding")
	h.Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == a.mark {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	if r.Header.Get("If-None-Match") == tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", a.kind)
	body := a.body
	if a.packed != nil && acceptsGzip(r) {
		h.Set("Content-Encoding", "gzip")
		body = a.packed
	}
	_, _ = w.Write(body) // a reader that has gone away is no fault of ours
}

// acceptsGzip: every browser says it in this way; whoever says it otherwise gets the file as it is.
func acceptsGzip(r *http.Request) bool {
	for _, e := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		if strings.TrimSpace(e) == "gzip" {
			return true
		}
	}
	return false
}

// packing compresses what is made anew for each request: pages and curves. A
// stream is left alone: its events must leave at once.
func packing(next http.Handler) http.Handler {
	wrap, err := gzhttp.NewWrapper(gzhttp.ContentTypes([]string{"text/html", "application/json", "text/csv"}),
		gzhttp.EnableZstd(false), gzhttp.CompressionLevel(gzip.DefaultCompression))
	if err != nil {
		panic(err) // the options are constant
	}
	packed := wrap(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/stream" {
			next.ServeHTTP(w, r)
			return
		}
		packed.ServeHTTP(w, r)
	})
}
