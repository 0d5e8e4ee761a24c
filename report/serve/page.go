package serve

import (
	"embed"
	"net/http"
	"path"
	"strings"

	"fettle/report"
)

// The page is plain HTML, CSS and script, sent as it is written. index.html has all that can ever be seen; page.js shows the parts that a
// [State] calls for and fills them in, trial.js those of a trial, section.js draws the section, link.js keeps the connection, and memory.js
// what is typed.
//
//go:embed page
var pageFiles embed.FS

// kinds are the content types of the page's files. What has no kind is not served.
var kinds = map[string]string{
	".html": "text/html; charset=utf-8",
	".css":  "text/css; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".svg":  "image/svg+xml",
}

// page serves the page at /, its files beside it, and the look that it has in common with the page of evidence at /look.css.
func page() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := strings.TrimPrefix(r.URL.Path, "/")
		if name == "" {
			name = "index.html"
		}
		content, err := pageFiles.ReadFile("page/" + name)
		if name == "look.css" {
			content, err = []byte(report.Look), nil
		}
		kind, ok := kinds[path.Ext(name)]
		if err != nil || !ok {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", kind)
		_, _ = w.Write(content) // a browser that has gone away is nobody's loss
	})
}
