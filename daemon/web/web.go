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
)

//go:embed assets
var files embed.FS

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

func newFile(name string, data []byte) file {
	sum := sha256.Sum256(data)
	return file{media[path.Ext(name)], fmt.Sprintf(`"%x"`, sum[:12]), data}
}
