package server

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"creepage/internal/problem"
)

// decodeJSON reads a message. The error says where the text stops being JSON,
// or which fields are wrong, what they hold and what is allowed; under is the
// path of the message itself, empty for a request.
func decodeJSON(data []byte, m proto.Message, under string) *problem.Error {
	err := protojson.Unmarshal(data, m)
	if err == nil {
		return nil
	}
	if p := syntaxProblem(data); p != nil {
		return p
	}
	if fields := wrongFields(data, m.ProtoReflect().Descriptor(), under); len(fields) > 0 {
		return problem.Invalid(fields...)
	}
	return malformed("the body is not a %s: %s", m.ProtoReflect().Descriptor().Name(), plain(err)).Because(err)
}

func malformed(format string, args ...any) *problem.Error {
	p := problem.InvalidField("body", format, args...)
	p.Reason = "MALFORMED_JSON"
	return p
}

// syntaxProblem says where a text stops being one JSON value, nil if it is one.
func syntaxProblem(data []byte) *problem.Error {
	decoder := json.NewDecoder(bytes.NewReader(data))
	var value json.RawMessage
	err := decoder.Decode(&value)
	if err == nil {
		if _, err = decoder.Token(); errors.Is(err, io.EOF) {
			return nil
		}
		return malformed("%s: something follows the JSON value", place(data, decoder.InputOffset()))
	}
	var syntax *json.SyntaxError
	offset := int64(len(data))
	if errors.As(err, &syntax) {
		offset = syntax.Offset
	}
	return malformed("%s: %s", place(data, offset), err.Error()).Because(err)
}

// place returns an offset as line and column, counted from one.
func place(data []byte, offset int64) string {
	before := data[:min(max(offset-1, 0), int64(len(data)))]
	line := 1 + bytes.Count(before, []byte("\n"))
	column := len(before) - (bytes.LastIndexByte(before, '\n') + 1) + 1
	return fmt.Sprintf("line %d, column %d", line, column)
}

// plain is a decoder's message without its prefix.
func plain(err error) string {
	return strings.TrimLeft(strings.TrimPrefix(err.Error(), "proto:"), " \u00a0")
}

// wrongFields lists every field of a JSON object that a message cannot take,
// by path in proto snake_case.
func wrongFields(data json.RawMessage, desc protoreflect.MessageDescriptor, path string) []problem.Field {
	var object map[string]json.RawMessage
	if err := json.Unmarshal(data, &object); err != nil || object == nil {
		return []problem.Field{{Path: orBody(path), Description: fmt.Sprintf("%s is not a JSON object", short(data))}}
	}
	var wrong []problem.Field
	for _, key := range sortedKeys(object) {
		fd := fieldOf(desc, key)
		if fd == nil {
			wrong = append(wrong, problem.Field{Path: join(path, key), Description: unknownField(desc, key)})
			continue
		}
		wrong = append(wrong, wrongValue(object[key], fd, join(path, string(fd.Name())))...)
	}
	return wrong
}

func wrongValue(data json.RawMessage, fd protoreflect.FieldDescriptor, path string) []problem.Field {
	if string(bytes.TrimSpace(data)) == "null" {
		return nil
	}
	if !fd.IsList() {
		return wrongElement(data, fd, path)
	}
	var list []json.RawMessage
	if err := json.Unmarshal(data, &list); err != nil {
		return []problem.Field{{Path: path, Description: fmt.Sprintf("%s is not a JSON array", short(data))}}
	}
	var wrong []problem.Field
	for i, element := range list {
		wrong = append(wrong, wrongElement(element, fd, path+"["+strconv.Itoa(i)+"]")...)
	}
	return wrong
}

func wrongElement(data json.RawMessage, fd protoreflect.FieldDescriptor, path string) []problem.Field {
	if m := fd.Message(); m != nil && m.ParentFile().Package() != "google.protobuf" && !fd.IsMap() {
		return wrongFields(data, m, path)
	}
	// The one field by itself, as the message would hold it.
	value := data
	if fd.IsList() {
		value = json.RawMessage("[" + string(data) + "]")
	}
	alone := []byte("{" + strconv.Quote(fd.JSONName()) + ":" + string(value) + "}")
	if err := protojson.Unmarshal(alone, dynamicpb.NewMessage(fd.ContainingMessage())); err == nil {
		return nil
	}
	return []problem.Field{{Path: path, Description: short(data) + " " + wanted(fd)}}
}

// wanted says what a field takes.
func wanted(fd protoreflect.FieldDescriptor) string {
	switch fd.Kind() {
	case protoreflect.EnumKind:
		values := fd.Enum().Values()
		words := make([]string, 0, values.Len())
		for i := 1; i < values.Len(); i++ {
			words = append(words, string(values.Get(i).Name()))
		}
		return "is none of " + strings.Join(words, ", ")
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		unit := ""
		if i := strings.LastIndexByte(string(fd.Name()), '_'); i >= 0 {
			unit = " in " + strings.ReplaceAll(string(fd.Name())[i+1:], "_", " ")
		}
		return "is not a number" + unit + "; write it without a unit, such as 5.5e8"
	case protoreflect.BoolKind:
		return "is neither true nor false"
	case protoreflect.StringKind:
		return "is not a string"
	case protoreflect.MessageKind:
		if fd.Message().FullName() == "google.protobuf.Timestamp" {
			return "is not an RFC 3339 time such as \"2026-03-02T09:15:00Z\""
		}
		return "is not a " + string(fd.Message().Name())
	}
	return "is not a whole number such as 50"
}

func unknownField(desc protoreflect.MessageDescriptor, key string) string {
	fields := desc.Fields()
	names := make([]string, fields.Len())
	for i := range names {
		names[i] = fields.Get(i).JSONName()
		if alike(key, names[i]) {
			return fmt.Sprintf("is not a field of %s; did you mean %s?", desc.Name(), names[i])
		}
	}
	return fmt.Sprintf("is not a field of %s; allowed are %s", desc.Name(), strings.Join(names, ", "))
}

// alike says whether two names differ only in case, underscores or a plural s.
func alike(a, b string) bool {
	bare := func(s string) string { return strings.TrimSuffix(strings.ToLower(strings.ReplaceAll(s, "_", "")), "s") }
	return bare(a) == bare(b)
}

// fieldOf finds a field by its JSON or its proto name, as protojson does.
func fieldOf(desc protoreflect.MessageDescriptor, key string) protoreflect.FieldDescriptor {
	if fd := desc.Fields().ByJSONName(key); fd != nil {
		return fd
	}
	return desc.Fields().ByTextName(key)
}

// short is a JSON value, cut where it is long.
func short(data json.RawMessage) string {
	const most = 80
	text := strings.TrimSpace(strings.ToValidUTF8(string(data), "\uFFFD"))
	if len(text) > most {
		return strings.ToValidUTF8(text[:most], "") + "..."
	}
	return text
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func orBody(path string) string {
	if path == "" {
		return "body"
	}
	return path
}
