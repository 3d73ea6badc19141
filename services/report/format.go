package report

import (
	"fmt"
	"io"
	"strings"
)

// Format is a file format of an export.
type Format string

// Formats.
const (
	CSV     Format = "csv"
	JSONL   Format = "jsonl"
	XLSX    Format = "xlsx"
	Parquet Format = "parquet"
	// PDF is laid out for print, of those reports that have pages, and no table.
	PDF Format = "pdf"
	// CSVW is the description that belongs beside a CSV file, and no table itself.
	CSVW Format = "csvw"
)

// Formats lists the table formats in the order in which they are offered.
func Formats() []Format { return []Format{CSV, XLSX, Parquet, JSONL} }

func words(formats []Format) string {
	list := make([]string, len(formats))
	for i, f := range formats {
		list[i] = string(f)
	}
	return strings.Join(list, ", ")
}

// FileName is the name of a file of a table.
func (f Format) FileName(table string) string {
	if f == CSVW {
		return CSV.FileName(table) + descriptionEnding
	}
	return table + "." + string(f)
}

// descriptionEnding follows a CSV file's name in that of its description, as CSVW
// finds it ("Model for Tabular Data" section 5.3).
const descriptionEnding = "-metadata.json"

// ContentType returns the format's media type.
func (f Format) ContentType() string {
	switch f {
	case CSV:
		return "text/csv; charset=utf-8; header=present" // RFC 4180 section 3
	case JSONL:
		return "application/jsonl"
	case XLSX:
		return "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	case Parquet:
		return "application/vnd.apache.parquet"
	case PDF:
		return "application/pdf" // RFC 8118
	}
	return "application/csvm+json" // W3C "Metadata Vocabulary for Tabular Data"
}

// NewEncoder returns the encoder of a format that writes the table to w.
func NewEncoder(f Format, w io.Writer, t *Table, about About) (Encoder, error) {
	switch f {
	case CSV:
		return newCSV(w, t)
	case JSONL:
		return newJSONL(w, t), nil
	case XLSX:
		return newXLSX(w, t, about)
	case Parquet:
		return newParquet(w, t, about)
	}
	return nil, fmt.Errorf("format %q has no encoder", f)
}
