package board

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	files "creepage/internal/record"
	"creepage/internal/sheet"
	"creepage/internal/store"
)

const (
	// maxUploadBytes bounds a file of old records: some 150,000 rows of CSV. The
	// import command takes files of any size.
	maxUploadBytes = 20 << 20
	// drainedBytes is how much of a file that is too large is read and thrown away,
	// so that the browser shows the answer and not a connection that broke off.
	drainedBytes = 512 << 20
	// uploadLife is for how long a file is kept that is not entered.
	uploadLife = 7 * 24 * time.Hour
	// mostUploads bounds what an organisation has lying here.
	mostUploads = 20
	// refusedShown is how many refused rows the page lists; the file has all.
	refusedShown = 50
)

// table is what is kept of a file beside its bytes: what it was seen to hold.
type table struct {
	Header  []string            `json:"header"`
	Ignored []string            `json:"ignored,omitempty"` // columns that mean nothing here
	Remarks []string            `json:"remarks,omitempty"` // where a unit was left out
	Foreign map[string][]string `json:"foreign,omitempty"` // cells that are no words, by column of readings.csv
	Rows    []sampleRow         `json:"rows,omitempty"`    // the first readings
	Sheets  []string            `json:"sheets,omitempty"`  // of a workbook with several
}

// sampleRow is a reading as it was understood.
type sampleRow struct {
	Line                                                 int
	Shop, Vehicle, Platform, Taken, Method, Where, Value string
	Held, Celsius, Humidity                              string
	Refused                                              string // why; empty: it would be taken
}

type uploadsPage struct {
	Uploads []uploadRow
	Problem string
	Most    string
	Columns []string
	Kept    int // days
}

type uploadRow struct {
	store.Upload
	Word string
}

var stageWords = map[store.UploadStage]string{
	store.UploadUnsettled: "columns to be settled", store.UploadChecking: "being looked through", store.UploadChecked: "looked through, not entered",
	store.UploadEntering: "being entered", store.UploadEntered: "entered",
}

// organisation runs f on the visitor's organisation.
func (b *Board) organisation(r *http.Request, v *visitor, f func(*store.Tx) error) error {
	return b.sessions.store.AsOrganisation(r.Context(), v.session.kept.Organisation, f)
}

// own says whether an upload is the visitor's: administrators see them all.
func own(u *store.Upload, v *visitor) bool {
	return v.May("administer") || u.Key == id(v.Caller.GetKey().GetName())
}

// mayImport refuses keys that may not submit.
func (b *Board) mayImport(w http.ResponseWriter, r *http.Request, v *visitor) bool {
	if v.May("import") {
		return true
	}
	b.fail(w, r, v, http.StatusForbidden, "Your key may not do that.", "Old records are entered with a key of a shop, a feeder or an administrator.")
	return false
}

func (b *Board) showImports(w http.ResponseWriter, r *http.Request, v *visitor) {
	if b.mayImport(w, r, v) {
		b.importsPage(w, r, v, http.StatusOK, "")
	}
}

func (b *Board) importsPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, wrong string) {
	var all []store.Upload
	err := b.organisation(r, v, func(tx *store.Tx) (err error) {
		all, err = tx.Uploads(r.Context(), b.now())
		return err
	})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p := uploadsPage{Problem: wrong, Most: sizeText(maxUploadBytes), Columns: slices.Concat(files.ReadingColumns, files.OptionalReadingColumns), Kept: int(uploadLife.Hours() / 24)}
	for _, u := range all {
		if own(&u, v) {
			p.Uploads = append(p.Uploads, uploadRow{u, stageWords[u.Stage]})
		}
	}
	b.render(w, r, code, "imports", "Import", v, p)
}

// upload takes a file, looks at its columns and, where nothing about them is
// open, begins to look through its rows.
func (b *Board) upload(w http.ResponseWriter, r *http.Request, v *visitor) {
	if !b.mayImport(w, r, v) {
		return
	}
	title, content, err := uploaded(r)
	if err == nil {
		var u *store.Upload
		if u, err = b.keep(r, v, title, content); err == nil {
			http.Redirect(w, r, "/import/"+u.ID.String(), http.StatusSeeOther)
			return
		}
	}
	var bad badFile
	if !errors.As(err, &bad) {
		b.failWith(w, r, v, err)
		return
	}
	b.importsPage(w, r, v, http.StatusBadRequest, bad.Error())
}

// badFile says in a sentence what is wrong with a file.
type badFile string

func (e badFile) Error() string { return string(e) }

// uploaded reads the file of a form.
func uploaded(r *http.Request) (title string, content []byte, err error) {
	file, header, err := r.FormFile("file")
	if err != nil {
		return "", nil, badFile("No file was chosen.")
	}
	defer file.Close()
	title = strings.ToValidUTF8(filepath.Base(strings.ReplaceAll(header.Filename, `\`, "/")), "")
	for utf8.RuneCountInString(title) > 200 {
		title = title[1:]
	}
	if extension(title) == "" {
		return "", nil, badFile(fmt.Sprintf("%s is neither a .csv nor an .xlsx file. Save the table as one of these.", title))
	}
	if content, err = io.ReadAll(io.LimitReader(file, maxUploadBytes+1)); err != nil {
		return "", nil, err
	}
	switch {
	case len(content) == 0:
		return "", nil, badFile(title + " is empty.")
	case len(content) > maxUploadBytes:
		return "", nil, badFile(tooLarge)
	}
	return title, content, nil
}

var tooLarge = "The file is larger than " + sizeText(maxUploadBytes) + ". Cut it into several, or use the command creepage import, which takes files of any size. Nothing was entered."

// extension is that of a table, empty if it is none.
func extension(title string) string {
	switch e := strings.ToLower(filepath.Ext(title)); e {
	case ".csv", ".xlsx":
		return e
	case ".txt", ".tsv":
		return ".csv"
	}
	return ""
}

// keep keeps a file with what is seen of its columns.
func (b *Board) keep(r *http.Request, v *visitor, title string, content []byte) (*store.Upload, error) {
	now := b.now().UTC()
	u := &store.Upload{ID: uuid.Must(uuid.NewV7()), Key: id(v.Caller.GetKey().GetName()), Title: title, Stage: store.UploadUnsettled, CreatedAt: now, ExpiresAt: now.Add(uploadLife)}
	settled, err := b.look(u, content, v)
	if err != nil {
		return nil, err
	}
	err = b.organisation(r, v, func(tx *store.Tx) error {
		all, err := tx.Uploads(r.Context(), now)
		if err != nil {
			return err
		}
		if len(all) >= mostUploads {
			return badFile(fmt.Sprintf("%d files lie here, the most there may be. Remove one first.", len(all)))
		}
		return tx.CreateUpload(r.Context(), u, content)
	})
	if err != nil || !settled {
		return u, err
	}
	return u, b.begin(r, v, u, store.UploadChecking)
}

// look finds out how a file is read: as it stands, or by a proposal, of which a
// person has to settle what is open.
func (b *Board) look(u *store.Upload, content []byte, v *visitor) (settled bool, err error) {
	f, err := writeOut(u.Title, content)
	if err != nil {
		return false, err
	}
	defer f.remove()
	var seen table
	defer func() {
		if err == nil {
			u.Sample, err = json.Marshal(seen)
		}
	}()
	if extension(u.Title) == ".xlsx" && u.Sheet == "" {
		sheets, err := sheet.Sheets(f.path)
		if err != nil {
			return false, badFile(f.words(err))
		}
		if seen.Sheets = sheets; len(sheets) > 1 {
			return false, nil
		}
	}
	if u.Sheet == "" {
		if plain, err := sheet.Open(f.path, nil); err == nil {
			seen.Header = plain.Header()
			return true, plain.Close()
		}
	}
	m, err := sheet.Suggest(f.path, u.Sheet)
	if err != nil {
		return false, badFile(f.words(err))
	}
	if shop := v.Caller.GetKey().GetShop(); shop != "" && m.Columns["shop"] == nil {
		m.Constants["shop"] = id(shop)
		m.Unsure = slices.DeleteFunc(m.Unsure, func(s string) bool { return strings.HasPrefix(s, "shop: ") })
	}
	if seen.Header, seen.Foreign, err = m.Look(f.path); err != nil {
		return false, badFile(f.words(err))
	}
	u.Mapping, err = json.Marshal(m)
	return len(m.Unsure) == 0, err
}

// uploadPage is one file.
type uploadPage struct {
	store.Upload
	Table    table
	Mapping  *sheet.Mapping // nil: as it stands
	Settle   *settleForm
	Counts   sheet.Counts
	Share    int64 // of the file, %
	Stuck    bool  // nobody works on it, though somebody did
	Working  bool
	Checked  bool // looked through
	Entered  bool
	Refused  []refusedRow
	Problem  string
	Expires  string
	Reads    []understood
	Accepted int64
}

type refusedRow struct{ Line, Reason string }

// found finds the upload of a request.
func (b *Board) found(w http.ResponseWriter, r *http.Request, v *visitor) (*store.Upload, bool) {
	if !b.mayImport(w, r, v) {
		return nil, false
	}
	key, err := uuid.Parse(r.PathValue("upload"))
	var u store.Upload
	if err == nil {
		err = b.organisation(r, v, func(tx *store.Tx) error {
			u, err = tx.Upload(r.Context(), key, b.now())
			return err
		})
	} else {
		err = store.ErrNotFound
	}
	if errors.Is(err, store.ErrNotFound) || err == nil && !own(&u, v) {
		b.fail(w, r, v, http.StatusNotFound, "There is no such file.", "It was removed, or its time is over. Bring it again.")
		return nil, false
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return nil, false
	}
	return &u, true
}

func (b *Board) showImport(w http.ResponseWriter, r *http.Request, v *visitor) {
	if u, ok := b.found(w, r, v); ok {
		b.importPage(w, r, v, http.StatusOK, u, "")
	}
}

func (b *Board) importPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, u *store.Upload, wrong string) {
	p := uploadPage{Upload: *u, Problem: wrong, Checked: u.Stage == store.UploadChecked, Entered: u.Stage == store.UploadEntered, Expires: u.ExpiresAt.Format("2 Jan 2006")}
	var at progress
	err := errors.Join(unmarshal(u.Sample, &p.Table), unmarshal(u.Checkpoint, &at))
	if u.Mapping != nil {
		p.Mapping = &sheet.Mapping{}
		err = errors.Join(err, unmarshal(u.Mapping, p.Mapping))
	}
	if err != nil {
		b.failWith(w, r, v, fmt.Errorf("read an upload: %w", err))
		return
	}
	p.Counts, p.Accepted = at.Checkpoint.Counts, at.Checkpoint.Counts.Accepted
	if at.Total > 0 {
		p.Share = min(100, 100*at.Checkpoint.Place.Offset/at.Total)
	}
	if u.Stage.Working() {
		p.Stuck = u.Problem != "" || b.now().Sub(u.UpdatedAt) > unheardAfter
		p.Working = !p.Stuck
	}
	if p.Working {
		// Reloads the page without any script.
		w.Header().Set("Refresh", "2")
	}
	p.Reads = p.understood()
	if u.Stage == store.UploadUnsettled || p.Checked && p.Mapping != nil {
		p.Settle = newSettleForm(&p.Table, p.Mapping)
	}
	if at.Checkpoint.Counts.Rejected > 0 {
		if p.Refused, err = b.refused(r, v, u, p.Mapping); err != nil {
			b.failWith(w, r, v, err)
			return
		}
	}
	b.render(w, r, code, "import", u.Title, v, &p)
}

func unmarshal(text []byte, to any) error {
	if text == nil {
		return nil
	}
	return json.Unmarshal(text, to)
}

// refused lists the first rows that were refused, with the reason.
func (b *Board) refused(r *http.Request, v *visitor, u *store.Upload, m *sheet.Mapping) ([]refusedRow, error) {
	text, err := b.rejectsOf(r, v, u)
	if err != nil {
		return nil, err
	}
	c := csv.NewReader(bytes.NewReader(text))
	c.FieldsPerRecord = -1
	if m != nil && m.Separator != "" {
		c.Comma, _ = utf8.DecodeRuneInString(m.Separator)
	}
	var list []refusedRow
	for first := true; len(list) < refusedShown; first = false {
		cells, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("read the refused rows: %w", err)
		}
		if !first && len(cells) >= 2 {
			list = append(list, refusedRow{cells[len(cells)-2], cells[len(cells)-1]})
		}
	}
	slices.SortStableFunc(list, func(a, b refusedRow) int { return cmp.Compare(lineOf(a), lineOf(b)) })
	return list, nil
}

func lineOf(r refusedRow) int {
	n, _ := strconv.Atoi(r.Line) // the importer wrote a number
	return n
}

func (b *Board) rejectsOf(r *http.Request, v *visitor, u *store.Upload) (text []byte, err error) {
	err = b.organisation(r, v, func(tx *store.Tx) error {
		text, err = tx.UploadRejects(r.Context(), u.ID)
		return err
	})
	return text, err
}

// giveRejects gives the refused rows as CSV, to be mended and brought again.
func (b *Board) giveRejects(w http.ResponseWriter, r *http.Request, v *visitor) {
	u, ok := b.found(w, r, v)
	if !ok {
		return
	}
	text, err := b.rejectsOf(r, v, u)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	name := strings.ReplaceAll(url.QueryEscape(u.Title+".rejects.csv"), "+", "%20") // as RFC 8187 wants it in a header
	w.Header().Set("Content-Disposition", "attachment; filename*=UTF-8''"+name)
	_, _ = w.Write(text) // the browser may be gone
}

// settle takes how the columns are to be read and has the file looked through.
func (b *Board) settle(w http.ResponseWriter, r *http.Request, v *visitor) {
	u, ok := b.found(w, r, v)
	if !ok {
		return
	}
	if u.Stage != store.UploadUnsettled && u.Stage != store.UploadChecked {
		b.importPage(w, r, v, http.StatusConflict, u, "The file is being worked on, or is entered; its columns cannot be changed now.")
		return
	}
	var content []byte
	err := b.organisation(r, v, func(tx *store.Tx) (err error) {
		content, err = tx.UploadContent(r.Context(), u.ID)
		return err
	})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	settled, wrong, err := b.settled(r, v, u, content)
	if err == nil && wrong == "" {
		err = b.organisation(r, v, func(tx *store.Tx) error {
			return tx.SettleUpload(r.Context(), u.ID, u.Sheet, u.Mapping, store.UploadUnsettled, u.Sample, b.now())
		})
	}
	if err == nil && settled && wrong == "" {
		err = b.begin(r, v, u, store.UploadChecking)
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if wrong != "" {
		b.importPage(w, r, v, http.StatusBadRequest, u, wrong)
		return
	}
	http.Redirect(w, r, "/import/"+u.ID.String(), http.StatusSeeOther)
}

// settled puts what a form says into an upload. wrong says what is still to be said.
func (b *Board) settled(r *http.Request, v *visitor, u *store.Upload, content []byte) (settled bool, wrong string, err error) {
	if name := r.PostFormValue("sheet"); name != "" {
		u.Sheet, u.Mapping = name, nil
		settled, err = b.look(u, content, v)
		var bad badFile
		if errors.As(err, &bad) {
			return false, bad.Error(), nil
		}
		return settled, "", err
	}
	var seen table
	if err := unmarshal(u.Sample, &seen); err != nil {
		return false, "", err
	}
	m := mappingOf(r.PostForm, &seen)
	if u.Mapping != nil {
		var before sheet.Mapping
		if err := json.Unmarshal(u.Mapping, &before); err != nil {
			return false, "", err
		}
		m.Separator, m.Sheet = before.Separator, before.Sheet
	}
	f, err := writeOut(u.Title, content)
	if err != nil {
		return false, "", err
	}
	defer f.remove()
	if seen.Header, seen.Foreign, err = m.Look(f.path); err != nil {
		return false, f.words(err), nil
	}
	if u.Mapping, err = json.Marshal(m); err != nil {
		return false, "", err
	}
	seen.Rows, seen.Ignored = nil, nil
	if u.Sample, err = json.Marshal(seen); err != nil {
		return false, "", err
	}
	if open := unsaid(r.PostForm, &seen); open != "" {
		return false, "Say what each of these cells means, or that its rows are to be refused: " + open + ".", nil
	}
	checked, err := sheet.ReadMapping(bytes.NewReader(u.Mapping), "of the columns")
	if err == nil {
		var t *sheet.Reader
		if t, err = sheet.Open(f.path, checked); err == nil {
			err = t.Close()
		}
	}
	if err != nil {
		return false, f.words(err), nil
	}
	return true, "", nil
}

// enter begins to enter what was looked through, or goes on with it.
func (b *Board) enter(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.beginStage(w, r, v, store.UploadEntering)
}

// recheck looks through a file again.
func (b *Board) recheck(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.beginStage(w, r, v, store.UploadChecking)
}

func (b *Board) beginStage(w http.ResponseWriter, r *http.Request, v *visitor, stage store.UploadStage) {
	u, ok := b.found(w, r, v)
	if !ok {
		return
	}
	if err := b.begin(r, v, u, stage); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/import/"+u.ID.String(), http.StatusSeeOther)
}

func (b *Board) removeImport(w http.ResponseWriter, r *http.Request, v *visitor) {
	u, ok := b.found(w, r, v)
	if !ok {
		return
	}
	err := b.organisation(r, v, func(tx *store.Tx) error { return tx.DeleteUpload(r.Context(), u.ID) })
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/import?done=upload", http.StatusSeeOther)
}

// begin has an upload worked on, unless somebody does already.
func (b *Board) begin(r *http.Request, v *visitor, u *store.Upload, stage store.UploadStage) error {
	from := []store.UploadStage{store.UploadUnsettled, store.UploadChecked}
	if stage == store.UploadEntering {
		from = []store.UploadStage{store.UploadChecked}
	}
	now := b.now()
	claimed := false
	err := b.organisation(r, v, func(tx *store.Tx) (err error) {
		claimed, err = tx.ClaimUpload(r.Context(), u.ID, from, stage, now.Add(-unheardAfter), now)
		return err
	})
	if err != nil || !claimed {
		return err
	}
	if !b.works.start(&work{board: b, organisation: v.session.kept.Organisation, upload: u.ID, key: v.session.key, stage: stage}) {
		return status.Error(codes.Unavailable, "the service is stopping")
	}
	return nil
}

// sizeText writes a number of bytes as people say it.
func sizeText(n int64) string {
	if n < 1<<20 {
		return fmt.Sprintf("%d kB", max(1, n>>10))
	}
	return fmt.Sprintf("%.3g MB", float64(n)/(1<<20))
}
