package report

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"strconv"
	"strings"
	"time"
)

// csvEncoder writes RFC 4180 in UTF-8: a header line, CRLF line ends, shortest
// decimal form that reads back to the same number, RFC 3339 times in UTC, and
// nothing between the commas for an empty cell. It does not use encoding/csv,
// whose CRLF mode also rewrites line ends inside a cell, and which wants a
// string for every cell of every row.
type csvEncoder struct {
	w   *bufio.Writer
	t   *Table
	buf []byte
}

func newCSV(w io.Writer, t *Table) (*csvEncoder, error) {
	e := &csvEncoder{w: bufio.NewWriterSize(w, 1<<16), t: t}
	for i, c := range t.Columns {
		if i > 0 {
			e.buf = append(e.buf, ',')
		}
		e.buf = append(e.buf, c.Name...)
	}
	return e, e.endLine()
}

func (e *csvEncoder) Row(cells []Value) error {
	if err := checkWidth(e.t, cells); err != nil {
		return err
	}
	for i := range cells {
		if i > 0 {
			e.buf = append(e.buf, ',')
		}
		if kind := e.t.Columns[i].Kind; kind == Text && cells[i].Given {
			e.buf = appendQuoted(e.buf, spreadsheetSafe(cells[i].S))
		} else {
			e.buf = appendPlain(e.buf, kind, &cells[i])
		}
	}
	return e.endLine()
}

func (e *csvEncoder) endLine() error {
	_, err := e.w.Write(append(e.buf, '\r', '\n'))
	e.buf = e.buf[:0]
	return err
}

func (e *csvEncoder) Close() error { return e.w.Flush() }

// appendQuoted appends a text cell, in double quotes where RFC 4180 section 2 asks for them.
func appendQuoted(b []byte, s string) []byte {
	if !strings.ContainsAny(s, "\",\r\n") {
		return append(b, s...)
	}
	b = append(b, '"')
	for {
		i := strings.IndexByte(s, '"')
		if i < 0 {
			return append(append(b, s...), '"')
		}
		b = append(append(b, s[:i+1]...), '"')
		s = s[i+1:]
	}
}

// appendPlain appends a cell as plain text; nothing for an empty cell.
func appendPlain(b []byte, kind Kind, v *Value) []byte {
	if !v.Given {
		return b
	}
	switch kind {
	case Text:
		return append(b, v.S...)
	case Number:
		return strconv.AppendFloat(b, v.F, 'g', -1, 64)
	case Integer:
		return strconv.AppendInt(b, v.I, 10)
	case Time:
		return v.T.UTC().AppendFormat(b, time.RFC3339Nano)
	case Date:
		return v.T.UTC().AppendFormat(b, time.DateOnly)
	case Flag:
		return strconv.AppendBool(b, v.I != 0)
	}
	return b
}

// spreadsheetSafe puts an apostrophe before text that a spreadsheet would run
// as a formula (OWASP, CSV injection: = + - @ tab and carriage return). One of
// these alone, such as the relation =, is no formula.
func spreadsheetSafe(s string) string {
	if len(s) == 1 {
		return s
	}
	switch s[0] {
	case '=', '+', '-', '@', '\t', '\r':
		return "'" + s
	}
	return s
}

// csvwTypes are the datatypes of W3C "Metadata Vocabulary for Tabular Data".
var csvwTypes = map[Kind]string{Text: "string", Number: "double", Integer: "integer", Time: "dateTime", Date: "date", Flag: "boolean"}

// CSVMetadata returns the document that describes a CSV file to programs and
// people: query, as-of time, software and data dictionary, in the vocabulary
// of W3C "Metadata Vocabulary for Tabular Data" (2015). It belongs beside the
// file under the name FILE-metadata.json.
func CSVMetadata(file string, t *Table, about About) ([]byte, error) {
	type column struct {
		Name        string `json:"name"`
		Titles      string `json:"titles"`
		Datatype    string `json:"datatype"`
		Description string `json:"dc:description"`
		Unit        string `json:"schema:unitText,omitempty"`
	}
	columns := make([]column, len(t.Columns))
	for i, c := range t.Columns {
		columns[i] = column{c.Name, c.Name, csvwTypes[c.Kind], c.Help, c.Unit}
	}
	var text bytes.Buffer
	e := json.NewEncoder(&text)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(map[string]any{
		"@context":       "http://www.w3.org/ns/csvw",
		"url":            file,
		"dc:title":       t.Title,
		"dc:description": Caution,
		"dc:source":      about.Query,
		"dc:date":        about.AsOf.UTC().Format(time.RFC3339Nano),
		"dc:creator":     about.Software,
		"tableSchema":    map[string]any{"columns": columns},
	})
	return text.Bytes(), err
}
