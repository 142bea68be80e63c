// Package viewer is what looks into a trace on a page: zoom, pan, two cursors with what lies between them. Reports and the page of a daemon share
// it; they differ in where the samples come from.
//
// traceViewer(figure, t) makes a figure live. It asks a store for samples: traceStore(t, arrived) gives one, with levels of bins
// (slots to a chunk), get(level, chunk), present(level, chunk), the number of the top level, state, and, where sums of samples are
// had otherwise than from its chunks, sum(a, b). tilestore.js reads the files beside a report.
package viewer

import (
	"embed"
	"strings"
)

//go:embed *.js viewer.css
var files embed.FS

// Reports are the scripts of a report, in order.
func Reports() []string {
	return []string{"text.js", "tilestore.js", "store.js", "draw.js", "viewer.js", "start.js"}
}

// Script gives scripts of this folder by their names, one behind the other.
func Script(names ...string) (string, error) {
	var b strings.Builder
	for _, name := range names {
		data, err := files.ReadFile(name)
		if err != nil {
			return "", err
		}
		b.Write(data)
	}
	return b.String(), nil
}

// Style is its style sheet, which takes the colours of the page that it stands in.
func Style() (string, error) {
	css, err := files.ReadFile("viewer.css")
	return string(css), err
}
