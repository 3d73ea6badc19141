package board

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"creepage/internal/problem"
)

// page is what every template gets.
type page struct {
	Title   string
	Path    string
	Visitor *visitor // nil when nobody is signed in
	Notice  string   // what has just been done
	Data    any
}

func parsePages() (map[string]*template.Template, error) {
	base, err := template.New("").Funcs(functions()).ParseFS(templateFiles, "templates/frame.html")
	if err != nil {
		return nil, fmt.Errorf("read the frame of the pages: %w", err)
	}
	names, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("list the pages: %w", err)
	}
	pages := map[string]*template.Template{}
	for _, file := range names {
		t, err := base.Clone()
		if err == nil {
			t, err = t.ParseFS(templateFiles, file)
		}
		if err != nil {
			return nil, fmt.Errorf("read page %s: %w", file, err)
		}
		pages[strings.TrimSuffix(path.Base(file), ".html")] = t
	}
	return pages, nil
}

// render writes a page. It is made in memory first, so that a fault in it is
// an error page and not half a page.
func (b *Board) render(w http.ResponseWriter, r *http.Request, code int, name, title string, v *visitor, data any) {
	var out bytes.Buffer
	p := page{Title: title, Path: r.URL.Path, Visitor: v, Notice: notices[r.URL.Query().Get("done")], Data: data}
	if err := b.pages[name].ExecuteTemplate(&out, "frame", p); err != nil {
		b.log.Error("page not made", "page", name, "error", err)
		http.Error(w, "The page could not be made.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(out.Bytes())
}

// renderPart writes a part of a page alone, for its script.
func (b *Board) renderPart(w http.ResponseWriter, page, part string, data any) {
	var out bytes.Buffer
	if err := b.pages[page].ExecuteTemplate(&out, part, data); err != nil {
		b.log.Error("part of a page not made", "page", page, "part", part, "error", err)
		http.Error(w, "The page could not be made.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(out.Bytes())
}

// notices are said after something was done; the address carries the word only.
var notices = map[string]string{
	"repair":       "The repair is recorded. The component's track starts anew from then; the outlook follows within seconds.",
	"acknowledged": "The warning is acknowledged.",
	"finding":      "What was found is recorded.",
	"voided":       "The reading is void. It stays on record; the outlook follows within seconds.",
	"calibration":  "The calibration is recorded.",
	"policy":       "It is saved. Every vehicle is judged anew by it; that takes a moment.",
	"shop":         "The shop is made.",

	"webhook-changed": "The address is changed.",
	"webhook-on":      "It is switched on. What it missed meanwhile can be sent again.",
	"webhook-off":     "It is switched off. Nothing more is sent to it but tests.",
	"webhook-test":    "A test message is on its way; what becomes of it stands below in a moment.",
	"webhook-again":   "What it missed is on its way again, up to 1000 messages at a time.",
	"webhook-nothing": "It has missed nothing.",
	"ahead":           "The timetable stands. The first file comes when it says; “Make one now” does not wait for it.",
	"ahead-changed":   "The timetable is changed.",
	"ahead-on":        "It is switched on and goes on with its next time.",
	"ahead-off":       "It is switched off. No file is made but by “Make one now”.",
	"ahead-run":       "The file is on its way; what becomes of it stands below in a moment.",
	"ahead-removed":   "The timetable is removed. The files that were made stay where they are.",
	"upload":          "The file is removed.",
	"webhook":         "The address is removed.",
	"revoked":         "The key is revoked; it is refused within seconds.",
}

type failure struct{ What, Help string }

func (b *Board) fail(w http.ResponseWriter, r *http.Request, v *visitor, code int, what, help string) {
	if strings.Contains(r.Header.Get("Accept"), "application/json") {
		writeJSON(w, code, map[string]any{"problem": strings.TrimSpace(what + " " + help)})
		return
	}
	b.render(w, r, code, "failure", what, v, failure{what, help})
}

// failWith says what the API answered, in the words of its message.
func (b *Board) failWith(w http.ResponseWriter, r *http.Request, v *visitor, err error) {
	st := status.Convert(problem.Of(err))
	switch st.Code() {
	case codes.NotFound:
		b.fail(w, r, v, http.StatusNotFound, "Not found.", problemText(err))
	case codes.InvalidArgument, codes.FailedPrecondition, codes.AlreadyExists, codes.Aborted, codes.OutOfRange:
		b.fail(w, r, v, http.StatusBadRequest, "That was not taken.", problemText(err)+" Go back and correct it. Nothing was changed.")
	case codes.Canceled: // whoever asked has gone
		b.fail(w, r, v, http.StatusServiceUnavailable, "Broken off.", "")
	case codes.PermissionDenied:
		help := st.Message()
		if v != nil {
			help = "It may " + roleText(v.role()) + ". Whoever keeps the keys of your organisation can give you another."
		}
		b.fail(w, r, v, http.StatusForbidden, "Your key may not do that.", help)
	case codes.Unavailable, codes.ResourceExhausted, codes.DeadlineExceeded:
		b.log.Warn("board could not ask", "path", r.URL.Path, "error", err)
		b.fail(w, r, v, http.StatusServiceUnavailable, "The service is busy or not reachable.", "Try again in a moment: "+sentence(st.Message()))
	default:
		b.log.Error("board could not ask", "path", r.URL.Path, "error", err)
		b.fail(w, r, v, http.StatusInternalServerError, "Something went wrong on the server.", "It is in the server's log. Try again; if it stays, tell whoever runs the service.")
	}
}

// taken says that the API did not take what a form says, which the form can show.
func taken(err error) bool {
	switch status.Code(err) {
	case codes.InvalidArgument, codes.FailedPrecondition, codes.AlreadyExists:
		return true
	}
	return false
}

func writeJSON(w http.ResponseWriter, code int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(v)
}
