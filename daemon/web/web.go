// Package web is the page of a daemon: plain files that are part of the program, need no network, and call nothing but the daemon's public API.
//
// No script and no style stands in the markup, so that the page works under a content security policy of default-src 'self'.
package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"fourwire/report/html/viewer"
)

//go:embed assets
var files embed.FS

//go:embed trace
var traceFiles embed.FS

// media of the files that there are: what the machine believes about file names does not matter.
var media = map[string]string{
	".html": "text/html; charset=utf-8",
	".css":  "text/css; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".svg":  "image/svg+xml",
}

// file is one that is served.
type file struct {
	media, tag string
	data       []byte
}

// Handler serves the page: "/" and the files that it loads. Whatever else is asked for is not there; no folder is listed.
//
// Each answer has an ETag by its content and has to be asked for again each time, so that a new version of the daemon brings its own page along.
func Handler() http.Handler {
	all := map[string]file{}
	_ = fs.WalkDir(files, "assets", func(name string, e fs.DirEntry, err error) error { // an embedded file can be read
		if err != nil || e.IsDir() {
			return err
		}
		data, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		at := strings.TrimPrefix(name, "assets")
		if at == "/index.html" {
			at = "/"
		}
		all[at] = newFile(name, data)
		return nil
	})
	viewing(all)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f, ok := all[r.URL.Path]
		if !ok {
			w.Header().Set("Cache-Control", "no-store")
			http.Error(w, "there is nothing at this address; the page is at /", http.StatusNotFound)
			return
		}
		h := w.Header()
		h.Set("Content-Type", f.media)
		h.Set("ETag", f.tag)
		h.Set("Cache-Control", "no-cache")
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(f.data))
	})
}

// viewing adds the viewer of traces: that of the reports, with a store that asks the API.
func viewing(all map[string]file) {
	before, _ := viewer.Script("text.js") // embedded files can be read, and a test does
	behind, _ := viewer.Script("store.js", "draw.js", "viewer.js")
	store, _ := traceFiles.ReadFile("trace/binstore.js")
	exports, _ := traceFiles.ReadFile("trace/exports.js")
	style, _ := viewer.Style()
	all["/viewer.js"] = newFile("viewer.js", []byte(before+string(store)+behind+string(exports)))
	all["/viewer.css"] = newFile("viewer.css", []byte(style))
}

func newFile(name string, data []byte) file {
	sum := sha256.Sum256(data)
	return file{media[path.Ext(name)], fmt.Sprintf(`"%x"`, sum[:12]), data}
}
