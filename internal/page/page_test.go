package page

import (
	"encoding/base64"
	"strings"
	"testing"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
)

type cursor struct{ Vehicle string }

func sealer(t *testing.T) *Sealer {
	t.Helper()
	s, err := NewSealer(RandomSecret())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func query(t *testing.T, s *Sealer, organisation uuid.UUID, req Request) *Query {
	t.Helper()
	q, err := s.Query(organisation, req)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func TestATokenOpensForItsOwnQueryAlone(t *testing.T) {
	s, organisation := sealer(t), uuid.New()
	first := &creepagev1.ListOutlooksRequest{Filter: "state = DUE", PageSize: 10}
	token, err := query(t, s, organisation, first).Next(cursor{"truck-17"})
	if err != nil {
		t.Fatal(err)
	}

	var got cursor
	ok, err := query(t, s, organisation, &creepagev1.ListOutlooksRequest{Filter: "state = DUE", PageSize: 500, PageToken: token}).After(&got)
	if !ok || err != nil || got.Vehicle != "truck-17" {
		t.Errorf("own query: %v %v %v; another page size must not matter", ok, err, got)
	}
	for what, q := range map[string]*Query{
		"another filter":       query(t, s, organisation, &creepagev1.ListOutlooksRequest{Filter: "state = UNDER", PageToken: token}),
		"another list":         query(t, s, organisation, &creepagev1.ListWarningsRequest{Filter: "state = DUE", PageToken: token}),
		"another organisation": query(t, s, uuid.New(), &creepagev1.ListOutlooksRequest{Filter: "state = DUE", PageToken: token}),
		"another secret":       query(t, sealer(t), organisation, &creepagev1.ListOutlooksRequest{Filter: "state = DUE", PageToken: token}),
		"a token cut short":    query(t, s, organisation, &creepagev1.ListOutlooksRequest{Filter: "state = DUE", PageToken: token[:20]}),
		"no token at all":      query(t, s, organisation, &creepagev1.ListOutlooksRequest{Filter: "state = DUE", PageToken: "page 2, please"}),
	} {
		if ok, err := q.After(&got); ok || err == nil || !strings.HasPrefix(err.Error(), "page_token: ") {
			t.Errorf("%s: got %v, %v; want an error naming page_token", what, ok, err)
		}
	}
}

func TestATokenTellsNothing(t *testing.T) {
	token, err := query(t, sealer(t), uuid.New(), &creepagev1.ListOutlooksRequest{}).Next(cursor{"truck-17"})
	if err != nil {
		t.Fatal(err)
	}
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || strings.Contains(string(raw), "truck") {
		t.Errorf("token %q shows its cursor (%v)", raw, err)
	}
}

func TestPageSizes(t *testing.T) {
	for sent, want := range map[int32]int{0: DefaultSize, 1: 1, 1000: 1000, 1001: MaxSize} {
		if q := query(t, sealer(t), uuid.New(), &creepagev1.ListShopsRequest{PageSize: sent}); q.Size != want {
			t.Errorf("page size %d gives %d rows, want %d", sent, q.Size, want)
		}
	}
	if _, err := sealer(t).Query(uuid.New(), &creepagev1.ListShopsRequest{PageSize: -1}); err == nil || !strings.HasPrefix(err.Error(), "page_size: ") {
		t.Errorf("page size -1: got %v, want an error naming page_size", err)
	}
}

func FuzzAfter(f *testing.F) {
	s, err := NewSealer(RandomSecret())
	if err != nil {
		f.Fatal(err)
	}
	f.Add("")
	f.Add("AAAA")
	f.Add(strings.Repeat("A", 100))
	f.Fuzz(func(t *testing.T, token string) {
		q, err := s.Query(uuid.Nil, &creepagev1.ListShopsRequest{PageToken: token})
		if err != nil {
			return // not UTF-8
		}
		var c cursor
		if ok, err := q.After(&c); ok || (err == nil) != (token == "") {
			t.Fatalf("a made-up token %q was taken: %v, %v", token, ok, err)
		}
	})
}
