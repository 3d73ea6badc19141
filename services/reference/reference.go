// Package reference serves the API reference: a page that renders the OpenAPI
// document of this very service, on which a reader may also try a call with a
// key. The viewer is RapiDoc (MIT), embedded; vendor.sh takes it anew. Nothing
// comes from another host.
package reference

import (
	"embed"
	"fmt"
	"io/fs"
	"net/http"
)

//go:embed static
var files embed.FS

// contentPolicy allows what this host serves and nothing else. The viewer
// styles parts of its page by attributes, which is why inline styles, and they
// alone, are allowed.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; connect-src 'self'; " +
	"form-action 'none'; base-uri 'none'; frame-ancestors 'none'"

// Register adds the page at /reference, and what it loads below it.
func Register(mux *http.ServeMux) error {
	static, err := fs.Sub(files, "static")
	if err != nil {
		return fmt.Errorf("open the reference's files: %w", err)
	}
	mux.HandleFunc("GET /reference", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", contentPolicy)
		http.ServeFileFS(w, r, static, "reference.html")
	})
	mux.Handle("GET /reference/{$}", http.RedirectHandler("/reference", http.StatusMovedPermanently))
	mux.Handle("GET /reference/", http.StripPrefix("/reference/", cached(http.FileServerFS(static))))
	return nil
}

// cached lets the browser keep the viewer for a day: its name changes with its
// version.
func cached(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "max-age=86400")
		next.ServeHTTP(w, r)
	})
}
