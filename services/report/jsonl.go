package report

import (
	"bufio"
	"encoding/json"
	"io"
)

// jsonlEncoder writes one JSON object a line; an empty cell has no member.
type jsonlEncoder struct {
	w    *bufio.Writer
	t    *Table
	keys [][]byte // `"name":` of each column
	buf  []byte
}

func newJSONL(w io.Writer, t *Table) *jsonlEncoder {
	e := &jsonlEncoder{w: bufio.NewWriterSize(w, 1<<16), t: t}
	for _, c := range t.Columns {
		e.keys = append(e.keys, []byte(`"`+c.Name+`":`)) // names are lower snake case: nothing to escape
	}
	return e
}

func (e *jsonlEncoder) Row(cells []Value) error {
	if err := checkWidth(e.t, cells); err != nil {
		return err
	}
	b := append(e.buf[:0], '{')
	for i := range cells {
		if !cells[i].Given {
			continue
		}
		if len(b) > 1 {
			b = append(b, ',')
		}
		b = append(b, e.keys[i]...)
		switch kind := e.t.Columns[i].Kind; kind {
		case Text:
			s, err := json.Marshal(cells[i].S)
			if err != nil {
				return err
			}
			b = append(b, s...)
		case Time, Date:
			b = append(b, '"')
			b = appendPlain(b, kind, &cells[i])
			b = append(b, '"')
		default:
			b = appendPlain(b, kind, &cells[i])
		}
	}
	e.buf = append(b, '}', '\n')
	_, err := e.w.Write(e.buf)
	return err
}

func (e *jsonlEncoder) Close() error { return e.w.Flush() }
