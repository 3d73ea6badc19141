package services_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/trend"
)

// raise records warnings of a vehicle as the worker does, one for each number:
// a number is a kind and a component.
func raise(ctx context.Context, tx *store.WorkerTx, organisation uuid.UUID, vehicle int64, numbers ...int) error {
	var rows []store.NewWarning
	for _, n := range numbers {
		rows = append(rows, store.NewWarning{ID: uuid.Must(uuid.NewV7()), Organisation: organisation, Vehicle: vehicle, News: true,
			Change: trend.Change{Raised: true, Kind: trend.WarningKind(1 + n%4), Component: insulation.Component(1 + n/4%11), At: now, Probability: 0.3, DaysP50: math.NaN(), Reason: "the motor falls"}})
	}
	raised, err := tx.RaiseWarnings(ctx, rows)
	if err != nil {
		return err
	}
	var changes []store.NewWarningChange
	for i := range raised {
		changes = append(changes, store.NewWarningChange{Organisation: organisation, Warning: raised[i].ID, Event: store.WarningRaised, At: now})
	}
	return tx.RecordWarningChanges(ctx, changes, now)
}

// seen is what a watch was told, across its breaks.
type seen struct {
	sequences []int64
	cursor    string
	breaks    int
}

// follow watches until a sequence is reached, breaking off after a few changes
// each time and going on from the last cursor.
func (v *seen) follow(last int64, watch func(cursor string, each func(cursor string, change *creepagev1.WarningChange) bool) error) error {
	for {
		left := 1 + rand.IntN(40)
		err := watch(v.cursor, func(cursor string, change *creepagev1.WarningChange) bool {
			v.cursor = cursor
			if change != nil {
				v.sequences = append(v.sequences, change.GetSequence())
				left--
			}
			return left > 0 && (len(v.sequences) == 0 || v.sequences[len(v.sequences)-1] < last)
		})
		if err != nil {
			return err
		}
		if n := len(v.sequences); n > 0 && v.sequences[n-1] >= last {
			return nil
		}
		v.breaks++
	}
}

func (s *system) watchGRPC(secret string) func(string, func(string, *creepagev1.WarningChange) bool) error {
	return func(cursor string, each func(string, *creepagev1.WarningChange) bool) error {
		ctx, cancel := context.WithTimeout(s.with(secret), 30*time.Second)
		defer cancel()
		stream, err := creepagev1.NewWatchServiceClient(s.conn).WatchWarnings(ctx, &creepagev1.WatchWarningsRequest{Cursor: cursor})
		if err != nil {
			return err
		}
		for {
			m, err := stream.Recv()
			if err != nil {
				return err
			}
			if !each(m.GetCursor(), m.GetChange()) {
				return nil // the connection breaks here, whatever is under way
			}
		}
	}
}

// event is one server-sent event, read as WHATWG HTML 9.2.6 says.
type event struct{ id, name, data string }

// events opens a stream of server-sent events and gives each to a function
// until that returns false.
func (s *system) events(secret, query, lastID string, each func(event) bool) error {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.url+"/v1/warnings:watch"+query, nil)
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+secret)
	req.Header.Set("Accept", "text/event-stream")
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK || resp.Header.Get("Content-Type") != "text/event-stream" {
		return fmt.Errorf("%s of %s", resp.Status, resp.Header.Get("Content-Type"))
	}
	var e event
	for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
		field, value, _ := strings.Cut(lines.Text(), ":")
		value = strings.TrimPrefix(value, " ")
		switch {
		case lines.Text() == "":
			if !each(e) {
				return nil
			}
			e = event{id: e.id}
		case field == "id":
			e.id = value
		case field == "event":
			e.name = value
		case field == "data":
			e.data += value
		}
	}
	return fmt.Errorf("the stream ended")
}

func (s *system) watchEvents(secret string) func(string, func(string, *creepagev1.WarningChange) bool) error {
	return func(cursor string, each func(string, *creepagev1.WarningChange) bool) error {
		var failed error
		err := s.events(secret, "", cursor, func(e event) bool {
			if e.data == "" {
				return each(e.id, nil)
			}
			change := &creepagev1.WarningChange{}
			if failed = protojson.Unmarshal([]byte(e.data), change); failed != nil {
				return false
			}
			return each(e.id, change)
		})
		if failed != nil {
			return failed
		}
		return err
	}
}

func TestAWatchThatBreaksAmongConcurrentCommitsMissesNoneAndRepeatsNone(t *testing.T) {
	s := start(t)
	other, otherKey := s.newOrganisation(t, "other")
	s.db.Exec(t, `INSERT INTO platforms VALUES ($1, 'harbor-van-400')`, other)
	db := s.db.Store(t, store.WorkerLogin)
	const writers, rounds, each = 8, 20, 2
	const total = writers * rounds * each
	var mine, others [writers]int64
	for w := range writers {
		mine[w], others[w] = s.vehicle(t, s.organisation, fmt.Sprint("van-", w)), s.vehicle(t, other, fmt.Sprint("truck-", w))
	}
	// One begins before the first change and one does not know of a cursor until it is told one.
	overGRPC, overREST, foreign := &seen{}, &seen{}, &seen{}
	var watching sync.WaitGroup
	var began sync.WaitGroup
	for name, w := range map[string]struct {
		seen  *seen
		watch func(string, func(string, *creepagev1.WarningChange) bool) error
		last  int64
	}{
		"gRPC":                     {overGRPC, s.watchGRPC(s.fleetKey), total},
		"server-sent events":       {overREST, s.watchEvents(s.adminKey), total},
		"the other organisation's": {foreign, s.watchGRPC(otherKey), total / 2},
	} {
		began.Add(1)
		watching.Go(func() {
			err := w.watch("", func(cursor string, _ *creepagev1.WarningChange) bool { w.seen.cursor = cursor; return false })
			began.Done()
			if err == nil {
				err = w.seen.follow(w.last, w.watch)
			}
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
	began.Wait()
	gaveUp := fmt.Errorf("rolled back")
	var writing sync.WaitGroup
	for w := range writers {
		writing.Go(func() {
			for r := range rounds {
				err := db.AsWorker(t.Context(), func(tx *store.WorkerTx) error {
					if r%3 == 0 { // some give up after they had their numbers
						if err := raise(t.Context(), tx, s.organisation, mine[w], 43); err != nil {
							return err
						}
						return gaveUp
					}
					return nil
				})
				if r%3 != 0 && err != nil || r%3 == 0 && !errors.Is(err, gaveUp) {
					t.Error(err)
				}
				if err := db.AsWorker(t.Context(), func(tx *store.WorkerTx) error {
					if r%2 == 0 { // some span organisations
						if err := raise(t.Context(), tx, other, others[w], 2*r, 2*r+1); err != nil {
							return err
						}
					}
					return raise(t.Context(), tx, s.organisation, mine[w], 2*r, 2*r+1)
				}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	writing.Wait()
	watching.Wait()
	for name, v := range map[string]*seen{"gRPC": overGRPC, "server-sent events": overREST, "the other organisation's": foreign} {
		want := int64(total)
		if v == foreign {
			want = total / 2
		}
		if len(v.sequences) != int(want) || !slices.IsSorted(v.sequences) || v.sequences[0] != 1 || len(slices.Compact(slices.Clone(v.sequences))) != int(want) {
			t.Errorf("%s: told of %d changes in %d parts, want each of 1 to %d once and in order: %v", name, len(v.sequences), v.breaks+1, want, v.sequences)
		}
		if v.breaks < 3 {
			t.Errorf("%s: broke off %d times, too few to show anything", name, v.breaks)
		}
	}
}

func TestAWatchTellsTheWarningAsItWasAfterEachChange(t *testing.T) {
	s := start(t)
	vehicle := s.vehicle(t, s.organisation, "truck-1")
	must(t, s.db.Store(t, store.WorkerLogin).AsWorker(t.Context(), func(tx *store.WorkerTx) error { return raise(t.Context(), tx, s.organisation, vehicle, 12) }))
	list, err := s.warnings.ListWarnings(s.with(s.fleetKey), &creepagev1.ListWarningsRequest{})
	must(t, err)
	name := list.GetWarnings()[0].GetName()
	for range 2 { // the second time changes nothing
		_, err = s.warnings.AcknowledgeWarning(s.with(s.fleetKey), &creepagev1.AcknowledgeWarningRequest{Name: name, Note: "ordered a bay"})
		must(t, err)
		_, err = s.warnings.EndWarning(s.with(s.fleetKey), &creepagev1.EndWarningRequest{Name: name, Reason: "seal replaced"})
		must(t, err)
	}
	_, err = s.warnings.RecordFinding(s.with(s.fleetKey), &creepagev1.RecordFindingRequest{Name: name, Finding: creepagev1.Warning_FAULT_FOUND, Component: creepagev1.Reading_MOTOR, Note: "wet seal"})
	must(t, err)

	var got []string
	must(t, s.events(s.fleetKey, "?startTime="+url.QueryEscape(now.Format(time.RFC3339)), "", func(e event) bool {
		if e.data == "" {
			return true
		}
		var change struct {
			Event, Sequence, ChangeTime string
			Warning                     struct{ Name, Vehicle, Reason, AcknowledgeNote, EndReason, Finding, FindingNote string }
		}
		must(t, json.Unmarshal([]byte(e.data), &change))
		w := change.Warning
		if w.Name != name || w.Vehicle != "vehicles/truck-1" || w.Reason == "" || strings.ToLower(change.Event) != e.name {
			t.Errorf("%s", e.data)
		}
		got = append(got, strings.Join([]string{change.Sequence, e.name, w.AcknowledgeNote, w.EndReason, w.Finding, w.FindingNote}, "|"))
		return len(got) < 4
	}))
	if want := []string{"1|raised||||", "2|changed|ordered a bay|||", "3|ended|ordered a bay|seal replaced||", "4|changed|ordered a bay|seal replaced|FAULT_FOUND|wet seal"}; !slices.Equal(got, want) {
		t.Errorf("told of\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestAWatchTakesOnlyItsOwnCursorAndFilter(t *testing.T) {
	s := start(t)
	_, otherKey := s.newOrganisation(t, "other")
	cursorOf := func(secret, filter string) (cursor string) {
		t.Helper()
		must(t, s.events(secret, "?filter="+url.QueryEscape(filter), "", func(e event) bool { cursor = e.id; return false }))
		return cursor
	}
	mine := cursorOf(s.fleetKey, "")
	for what, query := range map[string]string{
		"cursor of another organisation": "?cursor=" + cursorOf(otherKey, ""),
		"cursor of another filter":       "?cursor=" + cursorOf(s.fleetKey, "kind = CODE_DUE"),
		"cursor that was changed":        "?cursor=A" + mine[1:],
	} {
		code, _, text := s.rest(t, http.MethodGet, "/v1/warnings:watch"+query, s.fleetKey, "")
		if code != http.StatusBadRequest || !strings.Contains(text, `"field":"cursor"`) {
			t.Errorf("%s: %d %s", what, code, text)
		}
	}
	for query, field := range map[string]string{"?colour=red": "colour", "?filter=colour%20%3D%20RED": "filter", "?startTime=yesterday": "start_time"} {
		if code, _, text := s.rest(t, http.MethodGet, "/v1/warnings:watch"+query, s.fleetKey, ""); code != http.StatusBadRequest || !strings.Contains(text, `"field":"`+field+`"`) {
			t.Errorf("%s: %d %s", query, code, text)
		}
	}
	if code, _, text := s.rest(t, http.MethodGet, "/v1/warnings:watch", s.shopKey, ""); code != http.StatusForbidden {
		t.Errorf("a shop's key: %d %s", code, text)
	}
	vehicle := s.vehicle(t, s.organisation, "truck-1")
	must(t, s.db.Store(t, store.WorkerLogin).AsWorker(t.Context(), func(tx *store.WorkerTx) error {
		return raise(t.Context(), tx, s.organisation, vehicle, 0, 1, 2, 3) // one of each kind
	}))
	var kinds []string
	must(t, s.events(s.fleetKey, "?startTime=2026-03-01T00:00:00Z&filter="+url.QueryEscape("kind = SUDDEN_DROP OR kind = CODE_DUE"), "", func(e event) bool {
		var change struct{ Warning struct{ Kind string } }
		if e.data != "" {
			must(t, json.Unmarshal([]byte(e.data), &change))
			kinds = append(kinds, change.Warning.Kind)
		}
		return len(kinds) < 2
	}))
	if !slices.Equal(kinds, []string{"CODE_DUE", "SUDDEN_DROP"}) {
		t.Errorf("through the filter came %v", kinds)
	}
}

func TestAWatchEndsWithItsKey(t *testing.T) {
	s := start(t)
	resp, err := s.access.CreateKey(s.with(s.adminKey), &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Role: creepagev1.Key_FLEET}})
	must(t, err)
	ended := make(chan error, 1)
	began := make(chan struct{})
	go func() {
		ended <- s.watchGRPC(resp.GetSecret())("", func(string, *creepagev1.WarningChange) bool { close(began); return true })
	}()
	<-began
	_, err = s.access.RevokeKey(s.with(s.adminKey), &creepagev1.RevokeKeyRequest{Name: resp.GetKey().GetName()})
	must(t, err)
	s.passed.Add(int64(3 * time.Second)) // what is remembered of a key is too old
	revoked := time.Now()
	if err := <-ended; status.Code(err) != codes.Unauthenticated {
		t.Errorf("a watch whose key was revoked ended with %v", err)
	}
	if took := time.Since(revoked); took > 5*time.Second {
		t.Errorf("it took %s", took)
	}
}

func TestWatchesEndWhenTheServerStops(t *testing.T) {
	s := start(t)
	overGRPC, last := make(chan error, 1), make(chan event, 1)
	var began sync.WaitGroup
	began.Add(2)
	go func() {
		once := sync.OnceFunc(began.Done)
		overGRPC <- s.watchGRPC(s.fleetKey)("", func(string, *creepagev1.WarningChange) bool { once(); return true })
	}()
	go func() {
		once := sync.OnceFunc(began.Done)
		var end event
		_ = s.events(s.fleetKey, "", "", func(e event) bool { once(); end = e; return true })
		last <- end
	}()
	began.Wait()
	s.watches.Close()
	err := <-overGRPC
	retry := slices.ContainsFunc(status.Convert(err).Details(), func(d any) bool { _, ok := d.(*errdetails.RetryInfo); return ok })
	if status.Code(err) != codes.Unavailable || !retry {
		t.Errorf("a watch over gRPC ended with %v, want UNAVAILABLE with RetryInfo", err)
	}
	if e := <-last; e.name != "end" || !strings.Contains(e.data, "STOPPING") {
		t.Errorf("the last event is %q: %s", e.name, e.data)
	}
}

func TestAWatchOverRESTIsDescribedAsEvents(t *testing.T) {
	s := start(t)
	_, _, text := s.rest(t, http.MethodGet, "/openapi.json", "", "")
	var doc struct {
		Paths map[string]map[string]struct {
			Responses map[string]struct{ Content map[string]any }
		}
	}
	must(t, json.Unmarshal([]byte(text), &doc))
	if _, ok := doc.Paths["/v1/warnings:watch"]["get"].Responses["200"].Content["text/event-stream"]; !ok {
		t.Errorf("%v", doc.Paths["/v1/warnings:watch"])
	}
}

func TestAWatchFromATimeBeginsWithTheFirstChangeRecordedThen(t *testing.T) {
	s := start(t)
	db := s.db.Store(t, store.WorkerLogin)
	vehicle := s.vehicle(t, s.organisation, "truck-1")
	must(t, db.AsWorker(t.Context(), func(tx *store.WorkerTx) error { return raise(t.Context(), tx, s.organisation, vehicle, 0) }))
	s.passed.Add(int64(time.Hour))
	list, err := s.warnings.ListWarnings(s.with(s.fleetKey), &creepagev1.ListWarningsRequest{})
	must(t, err)
	_, err = s.warnings.EndWarning(s.with(s.fleetKey), &creepagev1.EndWarningRequest{Name: list.GetWarnings()[0].GetName(), Reason: "mended"})
	must(t, err)
	ctx, cancel := context.WithCancel(s.with(s.fleetKey))
	defer cancel()
	stream, err := creepagev1.NewWatchServiceClient(s.conn).WatchWarnings(ctx, &creepagev1.WatchWarningsRequest{StartTime: timestamppb.New(now.Add(time.Minute))})
	must(t, err)
	_, err = stream.Recv() // where it stands
	must(t, err)
	m, err := stream.Recv()
	must(t, err)
	if m.GetChange().GetSequence() != 2 || m.GetChange().GetEvent() != creepagev1.WarningChange_ENDED {
		t.Errorf("the first change is %v", m.GetChange())
	}
}
