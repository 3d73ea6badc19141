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
)

// Formats lists the table formats in the order in which they are offered.
func Formats() []Format { return []Format{CSV, XLSX, Parquet, JSONL} }

// ParseFormat reads a format's word.
func ParseFormat(s string) (Format, error) {
	for _, f := range Formats() {
		if string(f) == s {
			return f, nil
		}
	}
	words := make([]string, 0, len(Formats()))
	for _, f := range Formats() {
		words = append(words, string(f))
	}
	return "", fmt.Errorf("format %q is none of %s", s, strings.Join(words, ", "))
}

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
	}
	return "application/octet-stream"
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
