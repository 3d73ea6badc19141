package server

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/problem"
)

// unreadable holds, by index, what in a JSON submission could not be read as a
// reading or code at all. It is refused by itself: the gateway sends an empty
// one in its place, which the service rejects, and puts the true reason into
// the answer, so that the good readings beside it are taken.
type unreadable struct {
	readings map[int][]problem.Field
	codes    map[int][]problem.Field
}

// decodeSubmission reads a submission, each reading and code on its own where
// the whole cannot be read.
func decodeSubmission(data []byte, m *creepagev1.SubmitReadingsRequest) (*unreadable, *problem.Error) {
	if protojson.Unmarshal(data, m) == nil {
		return nil, nil
	}
	proto.Reset(m)
	if p := syntaxProblem(data); p != nil {
		return nil, p
	}
	var whole map[string]json.RawMessage
	if err := json.Unmarshal(data, &whole); err != nil {
		return nil, malformed("%s is not a JSON object", short(data))
	}
	bad := &unreadable{}
	var readings, codes []json.RawMessage
	if json.Unmarshal(whole["readings"], &readings) == nil {
		m.Readings, bad.readings = decodeEach(readings, "readings", func() *creepagev1.Reading { return &creepagev1.Reading{} })
		for i := range bad.readings {
			m.Readings[i].ReadingId = sentID(readings[i])
		}
		delete(whole, "readings")
	}
	if json.Unmarshal(whole["codes"], &codes) == nil {
		m.Codes, bad.codes = decodeEach(codes, "codes", func() *creepagev1.CodeSighting { return &creepagev1.CodeSighting{} })
		delete(whole, "codes")
	}
	rest, err := json.Marshal(whole)
	if err != nil {
		return nil, malformed("%v", err)
	}
	var other creepagev1.SubmitReadingsRequest
	if p := decodeJSON(rest, &other, ""); p != nil {
		return nil, p
	}
	proto.Merge(m, &other)
	return bad, nil
}

func decodeEach[M proto.Message](list []json.RawMessage, name string, empty func() M) ([]M, map[int][]problem.Field) {
	decoded := make([]M, len(list))
	wrong := map[int][]problem.Field{}
	for i, data := range list {
		decoded[i] = empty()
		err := protojson.Unmarshal(data, decoded[i])
		if err == nil {
			continue
		}
		path := fmt.Sprintf("%s[%d]", name, i)
		decoded[i] = empty()
		wrong[i] = wrongFields(data, decoded[i].ProtoReflect().Descriptor(), path)
		if len(wrong[i]) == 0 { // such as a field given twice
			wrong[i] = []problem.Field{{Path: path, Description: plain(err)}}
		}
	}
	return decoded, wrong
}

// sentID finds the identity in a reading that could not be read, so that the
// answer can name it.
func sentID(data json.RawMessage) string {
	var named struct {
		ReadingID string `json:"readingId"`
		Snake     string `json:"reading_id"`
	}
	if json.Unmarshal(data, &named) != nil {
		return ""
	}
	if id := named.ReadingID + named.Snake; len(id) <= 128 {
		return id
	}
	return ""
}

// amend puts the true reasons into the answer.
func (u *unreadable) amend(resp *creepagev1.SubmitReadingsResponse) {
	replaceErrors(resp.GetResults(), u.readings)
	replaceErrors(resp.GetCodeResults().GetResults(), u.codes)
}

func replaceErrors(results []*creepagev1.SubmitResult, wrong map[int][]problem.Field) {
	for _, i := range slices.Sorted(maps.Keys(wrong)) {
		if i < len(results) {
			results[i].Outcome = creepagev1.SubmitResult_REJECTED
			results[i].Assessment = nil
			results[i].Error = problem.Invalid(wrong[i]...).GRPCStatus().Proto()
		}
	}
}

func sortedKeys(object map[string]json.RawMessage) []string { return slices.Sorted(maps.Keys(object)) }
