package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	streamv1 "creepage/api/creepage/stream/v1"
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/wire"
)

// MostReadings is how many readings, and how many codes, one request may hold.
const MostReadings = 1000

// SubmitReadings takes a batch. The error is about the request as a whole;
// what is wrong with one reading stands in its own result.
func (s *Service) SubmitReadings(ctx context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
	c, err := callerOf(ctx)
	if err != nil {
		return nil, err
	}
	if n := max(len(req.GetReadings()), len(req.GetCodes())); n > MostReadings {
		return nil, problem.InvalidField("readings", "%d in one request; allowed are %d", n, MostReadings)
	}
	sub := &submission{caller: c, now: s.now().UTC().Truncate(time.Microsecond), backfill: req.GetBackfill()}
	sub.read(req)
	if err := s.resolve(ctx, sub); err != nil {
		return nil, err
	}
	if err := s.findKnown(ctx, sub); err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		return sub.answer(), nil
	}
	if err := s.publisher.Submit(ctx, sub.entries()); err != nil {
		return nil, err
	}
	resp := sub.answer()
	s.count(resp)
	return resp, nil
}

// StreamReadings takes batches one after the other. A batch that is refused as
// a whole is answered with its error, and the stream goes on.
func (s *Service) StreamReadings(ss grpc.BidiStreamingServer[creepagev1.StreamReadingsRequest, creepagev1.StreamReadingsResponse]) error {
	for {
		req, err := ss.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		resp := &creepagev1.StreamReadingsResponse{}
		resp.Batch, err = s.submitWithin(ss.Context(), req.GetBatch())
		if err != nil {
			p := refusal(err)
			if p == nil {
				return err
			}
			resp.Error = p.GRPCStatus().Proto()
		}
		if err := ss.Send(resp); err != nil {
			return err
		}
	}
}

// batchTimeout bounds one batch of a stream, as the server bounds a call.
const batchTimeout = 30 * time.Second

func (s *Service) submitWithin(ctx context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, batchTimeout)
	defer cancel()
	return s.SubmitReadings(ctx, req)
}

// refusal returns the problem of a batch after which the stream can go on.
func refusal(err error) *problem.Error {
	switch p := problem.Of(err); p.Code {
	case codes.InvalidArgument, codes.ResourceExhausted, codes.Unavailable:
		return p
	}
	return nil
}

// submission is one request on its way.
type submission struct {
	caller   caller.Caller
	now      time.Time
	backfill bool
	readings []line
	codes    []line
}

// line is one reading or code of a request, and what becomes of it.
type line struct {
	list       string              // readings or codes
	index      int                 // in it
	message    *creepagev1.Reading // nil for a code
	reading    insulation.Reading
	code       *insulation.Code
	platform   *insulation.Platform
	refused    *problem.Error
	duplicate  bool
	assessment *creepagev1.Assessment
}

// path is the line's in the request, such as readings[3].
func (l *line) path() string { return fmt.Sprintf("%s[%d]", l.list, l.index) }

func (l *line) fine() bool { return l.refused == nil && !l.duplicate }

func (l *line) vehicle() string {
	if l.code != nil {
		return l.code.Vehicle
	}
	return l.reading.Vehicle
}

// refuse refuses the line for a field.
func (l *line) refuse(field, format string, args ...any) {
	l.refused = problem.InvalidField(l.path()+"."+field, format, args...)
}

// read checks every reading and code by itself.
func (sub *submission) read(req *creepagev1.SubmitReadingsRequest) {
	sub.readings, sub.codes = make([]line, len(req.GetReadings())), make([]line, len(req.GetCodes()))
	for i, m := range req.GetReadings() {
		l := &sub.readings[i]
		l.list, l.index, l.message = "readings", i, m
		sub.readReading(l)
	}
	for i, m := range req.GetCodes() {
		l := &sub.codes[i]
		l.list, l.index = "codes", i
		sub.readCode(l, m)
	}
}

// fine yields the lines that stand so far, readings before codes.
func (sub *submission) fine(yield func(*line) bool) {
	for _, lines := range [...][]line{sub.readings, sub.codes} {
		for i := range lines {
			if l := &lines[i]; l.fine() && !yield(l) {
				return
			}
		}
	}
}

func (sub *submission) readReading(l *line) {
	var err error
	l.reading, err = wire.Reading(l.message)
	r := &l.reading
	r.ReceivedAt = sub.received(l.message)
	if r.Shop == "" {
		r.Shop = sub.caller.Shop
	}
	fields := fieldsOf(err)
	for _, f := range problem.FromDomain(insulation.Validate(r, sub.now)) {
		if !slices.ContainsFunc(fields, func(known problem.Field) bool { return known.Path == f.Path }) {
			fields = append(fields, f)
		}
	}
	if len(fields) > 0 {
		l.refused = problem.Invalid(problem.Under(l.path(), fields)...)
		return
	}
	l.refused = sub.mayNotSubmit(l)
}

// received is when a reading arrived: now, or for an old record when its sender
// says it did, zero if he says nothing.
func (sub *submission) received(m *creepagev1.Reading) time.Time {
	if !sub.backfill {
		return sub.now
	}
	if at := m.GetReceiveTime(); at.IsValid() && at.AsTime().Before(sub.now) {
		return at.AsTime().Truncate(time.Microsecond)
	}
	return time.Time{}
}

func fieldsOf(err error) []problem.Field {
	if err == nil {
		return nil
	}
	var errs wire.FieldErrors
	if errors.As(err, &errs) {
		return problem.FromWire(errs)
	}
	return nil
}

// mayNotSubmit holds a reading against what the caller's key is for.
func (sub *submission) mayNotSubmit(l *line) *problem.Error {
	c := sub.caller
	switch {
	case !c.MaySubmitFor(l.reading.Shop):
		return problem.Denied("SHOP_NOT_ALLOWED", "%s.shop: %q is not the key's shop; allowed is %q", l.path(), wire.Shops.Name(l.reading.Shop), wire.Shops.Name(c.Shop))
	case c.Role == creepagev1.Key_FEEDER && l.reading.Method != insulation.Monitor:
		return problem.Denied("READING_METHOD_NOT_ALLOWED", "%s.method: a key of role FEEDER submits on-board values; allowed is MONITOR, not %s", l.path(), l.message.GetMethod())
	}
	return nil
}

func (sub *submission) readCode(l *line, m *creepagev1.CodeSighting) {
	code, err := wire.Code(m)
	l.code = &code
	fields := fieldsOf(err)
	if latest := sub.now.Add(insulation.ClockSkew); code.SetAt.After(latest) {
		fields = append(fields, problem.Field{Path: "set_time", Description: fmt.Sprintf("%s lies in the future; allowed is up to %s", code.SetAt.Format(time.RFC3339), latest.Format(time.RFC3339))})
	}
	if len(fields) > 0 {
		l.refused = problem.Invalid(problem.Under(l.path(), fields)...)
	}
}

// entries are what goes into the stream. Readings are passed on in the messages in
// which they came.
func (sub *submission) entries() []*streamv1.Entry {
	received := timestamppb.New(sub.now)
	made := make([]streamv1.Entry, len(sub.readings)+len(sub.codes))
	entries := make([]*streamv1.Entry, 0, len(made))
	for l := range sub.fine {
		e := &made[len(entries)]
		e.OrganisationId, e.ReceiveTime, e.Backfill, e.Assessment = sub.caller.Organisation[:], received, sub.backfill, l.assessment
		if l.code != nil {
			e.Content = &streamv1.Entry_Code{Code: wire.CodeMessage(l.code)}
		} else {
			wire.Complete(l.message, &l.reading)
			if sub.backfill {
				l.message.ReceiveTime = wire.Timestamp(l.reading.ReceivedAt)
			}
			e.Content = &streamv1.Entry_Reading{Reading: l.message}
		}
		entries = append(entries, e)
	}
	return entries
}

func (sub *submission) answer() *creepagev1.SubmitReadingsResponse {
	resp := &creepagev1.SubmitReadingsResponse{Results: results(sub.readings)}
	for i, r := range resp.GetResults() {
		r.ReadingId = &sub.readings[i].reading.ID
	}
	if len(sub.codes) > 0 {
		resp.CodeResults = &creepagev1.CodeResults{Results: results(sub.codes)}
	}
	return resp
}

// results are the answers to lines, in their order.
func results(lines []line) []*creepagev1.SubmitResult {
	made, list := make([]creepagev1.SubmitResult, len(lines)), make([]*creepagev1.SubmitResult, len(lines))
	for i := range lines {
		list[i] = &made[i]
		lines[i].answer(list[i])
	}
	return list
}

// answer says what became of the line.
func (l *line) answer(r *creepagev1.SubmitResult) {
	r.Assessment = l.assessment
	switch {
	case l.refused != nil:
		r.Outcome, r.Error, r.Assessment = creepagev1.SubmitResult_REJECTED, l.refused.GRPCStatus().Proto(), nil
	case l.duplicate:
		r.Outcome = creepagev1.SubmitResult_DUPLICATE
	default:
		r.Outcome = creepagev1.SubmitResult_ACCEPTED
	}
}

func (s *Service) count(resp *creepagev1.SubmitReadingsResponse) {
	tally := map[creepagev1.SubmitResult_Outcome]int{}
	for _, results := range [...][]*creepagev1.SubmitResult{resp.GetResults(), resp.GetCodeResults().GetResults()} {
		for _, r := range results {
			tally[r.GetOutcome()]++
		}
	}
	for outcome, n := range tally {
		s.outcomes.WithLabelValues(outcome.String()).Add(float64(n))
	}
}
