package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"google.golang.org/protobuf/encoding/protojson"

	"creepage/internal/store"
	"creepage/internal/webhook"
	"creepage/internal/wire"
)

// WarningChanged is the job of one change of a warning. The database makes it
// with the change, in the same transaction and whoever changed it: there is one
// if and only if the change is on record. Changes found in old records make none.
type WarningChanged struct {
	Organisation uuid.UUID `json:"organisation"`
	Sequence     int64     `json:"sequence"`
}

// Kind names the job in the database.
func (WarningChanged) Kind() string { return "warning_changed" }

// WebhookDelivery is the job of one message to one endpoint. The database makes
// it with the delivery.
type WebhookDelivery struct {
	Organisation uuid.UUID `json:"organisation"`
	Delivery     uuid.UUID `json:"delivery"`
}

// Kind names the job in the database.
func (WebhookDelivery) Kind() string { return "webhook_delivery" }

// Webhooks is what deliveries are told.
type Webhooks struct {
	Policy webhook.Policy
	Safe   *webhook.Safe // of signing secrets; nil: no secret key is configured
}

const (
	changeWorkers   = 4
	deliveryWorkers = 32         // most wait for an answer
	deliveryQueue   = "webhooks" // of its own, so that slow endpoints hold up nothing else

	jobsEvery = 250 * time.Millisecond // between looks for new jobs

	// deadAfter is how long every attempt at an endpoint must have failed before
	// it is disabled: about as long as one delivery is tried.
	deadAfter = 72 * time.Hour
	// safeMissing is how long a delivery waits when the worker cannot open secrets.
	safeMissing = time.Minute
	mostError   = 500 // characters kept of what went wrong
)

func (w *Worker) newJobs(s *store.Store, log *slog.Logger) (*river.Client[pgx.Tx], error) {
	workers := river.NewWorkers()
	for _, add := range []func() error{
		func() error { return river.AddWorkerSafely(workers, river.WorkFunc(w.makeDeliveries)) },
		func() error { return river.AddWorkerSafely(workers, river.WorkFunc(w.deliver)) },
		func() error { return river.AddWorkerSafely(workers, river.WorkFunc(w.dueDigests)) },
		func() error { return river.AddWorkerSafely(workers, river.WorkFunc(w.sendDigest)) },
		func() error { return river.AddWorkerSafely(workers, river.WorkFunc(w.dueReports)) },
		func() error { return river.AddWorkerSafely(workers, &reportWorker{w: w}) },
		func() error { return river.AddWorkerSafely(workers, river.WorkFunc(w.forgetParts)) },
		func() error { return river.AddWorkerSafely(workers, river.WorkFunc(w.dueLessons)) },
		func() error { return river.AddWorkerSafely(workers, &lessonWorker{worker: w}) },
	} {
		if err := add(); err != nil {
			return nil, fmt.Errorf("set up the job worker: %w", err)
		}
	}
	client, err := river.NewClient(riverpgxv5.New(s.Pool()), &river.Config{
		ReindexerIndexNames: []string{}, // the worker's login does not own the jobs' indexes; those who do see to them
		Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: changeWorkers}, deliveryQueue: {MaxWorkers: deliveryWorkers}, digestQueue: {MaxWorkers: digestWorkers},
			reportQueue: {MaxWorkers: reportWorkers}, lessonQueue: {MaxWorkers: 1}},
		PeriodicJobs: []*river.PeriodicJob{
			river.NewPeriodicJob(river.PeriodicInterval(digestsEvery), func() (river.JobArgs, *river.InsertOpts) { return DueDigests{}, nil }, nil),
			river.NewPeriodicJob(river.PeriodicInterval(reportsEvery), func() (river.JobArgs, *river.InsertOpts) { return DueReports{}, nil }, nil),
			river.NewPeriodicJob(river.PeriodicInterval(partsEvery), func() (river.JobArgs, *river.InsertOpts) { return ForgetParts{}, nil }, &river.PeriodicJobOpts{RunOnStart: true}),
			river.NewPeriodicJob(river.PeriodicInterval(lessonsEvery), func() (river.JobArgs, *river.InsertOpts) { return DueLessons{}, nil }, &river.PeriodicJobOpts{RunOnStart: true}),
		},
		Workers: workers,
		// Jobs that the database makes wake nobody.
		FetchPollInterval: jobsEvery,
		Logger:            slog.New(transitions{log.Handler()}),
	})
	if err != nil {
		return nil, fmt.Errorf("set up the job worker: %w", err)
	}
	return client, nil
}

// Deliveries is what the job of a change has to show when it is done.
type Deliveries struct {
	Endpoints int `json:"endpoints"` // to which the change is sent
}

// makeDeliveries makes a delivery of a change for each endpoint that is to be
// told of it. Done twice, it makes none the second time.
func (w *Worker) makeDeliveries(ctx context.Context, job *river.Job[WarningChanged]) error {
	made := 0
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		endpoints, err := tx.EndpointsFor(ctx, job.Args.Organisation, job.Args.Sequence)
		if err != nil {
			return err
		}
		for i := range endpoints {
			where, err := store.WarningFields().Parse(endpoints[i].Filter)
			if err != nil {
				return fmt.Errorf("endpoint %s: %w", endpoints[i].ID, err)
			}
			if where != nil {
				if is, err := tx.WarningChangeIs(ctx, job.Args.Organisation, job.Args.Sequence, where); err != nil || !is {
					if err != nil {
						return err
					}
					continue
				}
			}
			if err := tx.MakeWebhookDelivery(ctx, job.Args.Organisation, endpoints[i].ID, job.Args.Sequence, w.clock()); err != nil {
				return err
			}
			made++
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("make deliveries of change %d: %w", job.Args.Sequence, err)
	}
	return river.RecordOutput(ctx, Deliveries{Endpoints: made})
}

// deliver makes one attempt at a delivery. What came of it is on record with the
// delivery; the job only says when the next is due.
func (w *Worker) deliver(ctx context.Context, job *river.Job[WebhookDelivery]) error {
	var due store.DueDelivery
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) (err error) {
		due, err = tx.DueWebhookDelivery(ctx, job.Args.Delivery)
		return err
	})
	if errors.Is(err, store.ErrNotFound) {
		return nil // delivered or given up meanwhile
	}
	if err != nil {
		return err
	}
	if wait := due.Delivery.NextAttemptAt.Sub(w.clock()); wait > time.Second { // the database's clock is ahead of ours, or the attempt is on record and the job is not
		return river.JobSnooze(wait)
	}
	if !due.Endpoint.DisabledAt.IsZero() && due.Delivery.Sequence > 0 { // it was made while the endpoint was being disabled
		return w.store.AsWorker(ctx, func(tx *store.WorkerTx) error { return tx.GiveUpWebhookDeliveries(ctx, due.Endpoint.ID) })
	}
	message, err := w.message(&due)
	if err != nil { // the endpoint is not to blame: it does not count as an attempt
		if !w.unsigned.Swap(true) {
			w.log.Error("webhooks cannot be signed; they wait", "endpoint", due.Endpoint.ID, "error", err)
		}
		if err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
			return tx.PostponeWebhookDelivery(ctx, due.Delivery.ID, err.Error(), w.clock().Add(safeMissing))
		}); err != nil {
			return err
		}
		return river.JobSnooze(safeMissing)
	}
	if w.unsigned.Swap(false) {
		w.log.Info("webhooks are signed again")
	}
	now := w.clock()
	return w.recordAttempt(ctx, job.Args.Organisation, &due, w.sender.Send(ctx, message, now), now)
}

// message is what is sent: the same body on every attempt.
func (w *Worker) message(due *store.DueDelivery) (webhook.Message, error) {
	if w.webhooks.Safe == nil {
		return webhook.Message{}, errors.New("the worker has no secret key: set CREEPAGE_SECRET_KEY as for serve")
	}
	e := &due.Endpoint
	secret, err := w.webhooks.Safe.Open(e.ID, e.Secret)
	if err != nil {
		return webhook.Message{}, err
	}
	m := webhook.Message{ID: wire.MessageID(due.Delivery.ID), URL: e.URL, Secrets: []string{secret}}
	if len(e.PreviousSecret) > 0 && w.clock().Before(e.PreviousUntil) {
		previous, err := w.webhooks.Safe.Open(e.ID, e.PreviousSecret)
		if err != nil {
			return webhook.Message{}, err
		}
		m.Secrets = append(m.Secrets, previous)
	}
	m.Body, err = body(due)
	return m, err
}

// body is the payload as Standard Webhooks recommends it: type, timestamp of the
// event, data.
func body(due *store.DueDelivery) ([]byte, error) {
	at, data := due.Delivery.CreatedAt, []byte("{}")
	if due.Delivery.Sequence > 0 {
		at = due.Change.At
		var err error
		if data, err = (protojson.MarshalOptions{EmitDefaultValues: true}).Marshal(due.Change.Message()); err != nil {
			return nil, fmt.Errorf("encode change %d: %w", due.Delivery.Sequence, err)
		}
	}
	return webhook.Payload(wire.WebhookType(due.Delivery.Sequence > 0, int32(due.Delivery.Event)), at, data)
}

// recordAttempt records what came of an attempt, and disables an endpoint that
// wants no more or has been dead for too long.
func (w *Worker) recordAttempt(ctx context.Context, organisation uuid.UUID, due *store.DueDelivery, sent error, now time.Time) error {
	if ctx.Err() != nil { // the worker is stopping: the attempt says nothing of the endpoint
		return ctx.Err()
	}
	a := store.WebhookAttempt{Delivery: due.Delivery, At: now}
	test := due.Delivery.Sequence == 0
	if sent != nil {
		a.Error = shortened(sent.Error())
		if wait, more := w.retryAfter(due.Delivery.Attempts + 1); more && !test && !errors.Is(sent, webhook.ErrGone) {
			// A tenth either way, so that what failed together does not come again together.
			wait = time.Duration(float64(wait) * (0.9 + 0.2*rand.Float64()))
			var refused *webhook.Refused
			if errors.As(sent, &refused) {
				wait = max(wait, refused.RetryAfter)
			}
			a.Next = now.Add(wait)
		}
	}
	disabled := ""
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		since, err := tx.RecordWebhookAttempt(ctx, a)
		if err != nil || sent == nil || test {
			return err
		}
		switch {
		case errors.Is(sent, webhook.ErrGone):
			disabled = "the endpoint answered 410 Gone"
		case a.Next.IsZero() && now.Sub(since) >= deadAfter:
			disabled = fmt.Sprintf("no attempt has succeeded since %s; the last one: %s", since.UTC().Format(time.RFC3339), a.Error)
		default:
			return nil
		}
		_, err = tx.DisableWebhookEndpoint(ctx, organisation, due.Endpoint.ID, disabled, now)
		return err
	})
	if err != nil {
		return err
	}
	w.metrics.deliveries.WithLabelValues(outcomeOf(&a)).Inc()
	if disabled != "" {
		w.log.Warn("a webhook endpoint was disabled", "organisation", organisation, "endpoint", due.Endpoint.ID, "reason", disabled)
	}
	if !a.Next.IsZero() {
		return river.JobSnooze(a.Next.Sub(now))
	}
	return nil
}

func outcomeOf(a *store.WebhookAttempt) string {
	switch {
	case a.Error == "":
		return "delivered"
	case a.Next.IsZero():
		return "given_up"
	}
	return "tried"
}

// shortened cuts a text to what is kept of it.
func shortened(text string) string {
	runes := []rune(text)
	if len(runes) <= mostError {
		return text
	}
	return string(runes[:mostError-1]) + "…"
}
