package record

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
)

// DecodeJSON reads a file that holds one JSON object. An error says where it stops
// being one, or which value does not fit; of an unknown field, if strict, which
// there are.
func DecodeJSON(r io.Reader, v any, strict bool) error {
	text, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	if strict {
		d.DisallowUnknownFields()
	}
	err = d.Decode(v)
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case err == nil:
		if _, err := d.Token(); !errors.Is(err, io.EOF) {
			return fmt.Errorf("%s: something follows the JSON object", place(text, d.InputOffset()))
		}
		return nil
	case errors.Is(err, io.EOF):
		return errors.New("the file is empty: want a JSON object")
	case errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%s: the JSON ends before it is complete; a bracket or quote is missing", place(text, int64(len(text))))
	case errors.As(err, &syntax):
		return fmt.Errorf("%s: this is no JSON: %w", place(text, syntax.Offset), err)
	case errors.As(err, &kind):
		return fmt.Errorf("%s: %s holds a %s: want %s", place(text, kind.Offset), kind.Field, kind.Value, jsonKind(kind.Type))
	}
	if unknown, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
		return fmt.Errorf("%s is no field; those are %s", unknown, strings.Join(fieldsOf(v), ", "))
	}
	return err
}

// place is an offset as line and column, counted from one.
func place(text []byte, offset int64) string {
	before := text[:min(max(offset-1, 0), int64(len(text)))]
	return fmt.Sprintf("line %d, column %d", 1+bytes.Count(before, []byte("\n")), len(before)-bytes.LastIndexByte(before, '\n'))
}

func jsonKind(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Float64, reflect.Int:
		return "a number"
	case reflect.String:
		return "a text in quotes"
	case reflect.Slice:
		return "a list"
	}
	return "an object"
}

// fieldsOf lists the JSON fields of a struct.
func fieldsOf(v any) []string {
	var names []string
	t := reflect.TypeOf(v).Elem()
	for i := range t.NumField() {
		if name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ","); name != "" {
			names = append(names, name)
		}
	}
	return names
}
