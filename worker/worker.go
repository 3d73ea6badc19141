package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/riverqueue/river"

	"creepage/internal/mail"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
	"creepage/internal/webhook"
)

// Config is what a worker is made of. All of it is needed, but Webhooks, whose
// zero value sends to public addresses alone and cannot sign, Mail and Reports.
type Config struct {
	Store      *store.Store
	Stream     *stream.Stream
	Model      *trend.Model // of organisations whose records have taught nothing yet
	Clock      func() time.Time
	Log        *slog.Logger
	Registerer prometheus.Registerer
	Limits     Limits
	Webhooks   Webhooks
	Mail       *mail.Server // of digests; nil: there is none
	Reports    Reports
}

// Worker turns messages into tracks, outlooks and warnings.
type Worker struct {
	store    *store.Store
	stream   *stream.Stream
	models   *store.Models
	clock    func() time.Time
	log      *slog.Logger
	metrics  *metrics
	jobs     *river.Client[pgx.Tx]
	webhooks Webhooks
	sender   *webhook.Sender
	mail     *mail.Server
	reports  Reports
	changed  chan struct{} // one token: vehicles may have changed
	lanes    []*lane

	unsigned atomic.Bool // webhooks cannot be signed, and that has been logged

	stopping context.Context // ends when files that are being made are to be given back
	stop     context.CancelFunc

	// afterReport is where tests kill a worker between a file and its record.
	afterReport func() error
	// afterCommit is where tests kill a worker between commit and acknowledgement.
	afterCommit func() error
	// retryAfter is the schedule of deliveries; tests shorten it.
	retryAfter func(attempt int) (time.Duration, bool)
	// keepAfter is checkpointEntries; tests have short histories.
	keepAfter int
}

// New returns a worker; Run sets it going.
func New(c Config) (*Worker, error) {
	metrics, err := newMetrics(c.Registerer)
	if err != nil {
		return nil, err
	}
	w := &Worker{store: c.Store, stream: c.Stream, models: store.NewModels(c.Model), clock: c.Clock, log: c.Log, metrics: metrics,
		changed: make(chan struct{}, 1), webhooks: c.Webhooks, mail: c.Mail, reports: c.Reports, sender: webhook.NewSender(c.Webhooks.Policy), retryAfter: webhook.RetryAfter, keepAfter: checkpointEntries}
	w.stopping, w.stop = context.WithCancel(context.Background())
	for range lanes {
		w.lanes = append(w.lanes, newLane(c.Limits))
	}
	if w.jobs, err = w.newJobs(c.Store, c.Log); err != nil {
		return nil, err
	}
	return w, nil
}

// How often the loops that nothing wakes look for work.
const (
	changedEvery    = time.Second           // changes made by other processes
	evaluateAtLeast = 5 * time.Second       // under a backlog, so that evaluations neither stop nor hold it up
	keepEvery       = 5 * time.Second       // lag, room in the stream
	historyLook     = time.Second           // old records that have gone quiet
	backlogOver     = 50 * time.Millisecond // without a further batch
	pauseAfter      = time.Second           // after a transaction failed
	drainTimeout    = 20 * time.Second      // to commit what has been fetched when asked to stop
)

// Run works until the context ends; then it commits and acknowledges what it
// has fetched and returns nil. It returns an error if a loop cannot go on.
func (w *Worker) Run(ctx context.Context) error {
	consumer, err := w.stream.Consume()
	if err != nil {
		return err
	}
	defer consumer.Stop()
	if err := w.jobs.Start(context.WithoutCancel(ctx)); err != nil {
		return fmt.Errorf("start the job worker: %w", err)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	// What is in hand when the context ends is finished under this one.
	finishing, finished := context.WithCancel(context.WithoutCancel(ctx))
	defer finished()
	context.AfterFunc(ctx, func() {
		consumer.Drain()
		w.stop()
		time.AfterFunc(drainTimeout, finished)
	})

	var loops sync.WaitGroup
	run := func(name string, loop func() error) {
		loops.Go(func() {
			if err := loop(); err != nil && !errors.Is(err, context.Canceled) {
				cancel(fmt.Errorf("%s: %w", name, err))
			}
		})
	}
	run("consume", func() error { return w.gather(finishing, consumer) })
	for _, l := range w.lanes {
		run("commit", func() error { return w.commitAll(ctx, finishing, l) })
	}
	run("evaluate", func() error { return w.evaluateLoop(ctx) })
	run("daily pass", func() error { return w.dailyLoop(ctx) })
	run("histories", func() error { return w.historyLoop(ctx) })
	run("keep house", func() error { return w.keepLoop(ctx) })
	loops.Wait()

	stopping, stopped := context.WithTimeout(context.WithoutCancel(ctx), drainTimeout)
	defer stopped()
	if err := w.jobs.Stop(stopping); err != nil {
		return fmt.Errorf("stop the job worker: %w", err)
	}
	if cause := context.Cause(ctx); !errors.Is(cause, context.Canceled) && !errors.Is(cause, context.DeadlineExceeded) {
		return cause
	}
	return nil
}

// gather decodes messages and puts them into their lanes, until the consumer has
// handed out its last. A partition's messages all go the same way, in order.
func (w *Worker) gather(ctx context.Context, consumer *stream.Consumer) error {
	defer func() {
		for _, l := range w.lanes {
			l.close()
		}
	}()
	for {
		m, err := consumer.Next(ctx)
		switch {
		case errors.Is(err, stream.ErrClosed):
			return nil
		case errors.Is(err, stream.ErrUnavailable): // the client reconnects by itself
			w.metrics.failures.Inc()
			if pause(ctx, pauseAfter) != nil {
				return nil
			}
			continue
		case err != nil:
			return err
		}
		b := w.read(ctx, m)
		if b == nil {
			continue
		}
		if w.lanes[m.Partition()%len(w.lanes)].put(ctx, b) != nil {
			w.giveBack(b)
			return nil
		}
	}
}

// commitAll commits a lane's batches one after the other. After a failure worth
// another attempt it pauses; only the first of a row of failures and its end are
// logged.
func (w *Worker) commitAll(stopping, ctx context.Context, l *lane) error {
	failing := false
	for {
		b := l.take(w.wake)
		if b == nil {
			return nil
		}
		err := w.process(ctx, b)
		if err != nil {
			w.metrics.failures.Inc()
		}
		if (err != nil) != failing {
			failing = err != nil
			if failing {
				w.log.Error("batches cannot be committed; they are tried again", "error", err)
			} else {
				w.log.Info("batches are committed again")
			}
		}
		if err != nil && pause(stopping, pauseAfter) != nil {
			continue // stopping: what is left is given back at once
		}
		w.wake()
	}
}

// backlog says whether more is waiting than small batches hold.
func (w *Worker) backlog() bool {
	for _, l := range w.lanes {
		if l.backlog.Load() {
			return true
		}
	}
	return false
}

// wake lets the evaluator look for changed vehicles.
func (w *Worker) wake() {
	signal(w.changed)
}

// evaluateLoop evaluates changed vehicles whenever a batch has been committed,
// and now and then for what other processes changed.
func (w *Worker) evaluateLoop(ctx context.Context) error {
	var last time.Time
	return w.every(ctx, "vehicles cannot be evaluated", changedEvery, w.changed, func() error {
		if w.backlog() && time.Since(last) < evaluateAtLeast {
			return nil // what waits for its commit would change the same vehicles again
		}
		_, err := w.EvaluateChanged(ctx)
		last = time.Now()
		return err
	})
}

// dailyLoop evaluates every vehicle once a UTC day, soon after 00:00.
func (w *Worker) dailyLoop(ctx context.Context) error {
	var through time.Time
	return w.every(ctx, "the daily pass cannot go on", keepEvery, nil, func() error {
		today := startOfDay(w.clock())
		if !today.After(through) {
			return nil
		}
		n, err := w.EvaluateDay(ctx, today)
		if err != nil {
			return err
		}
		through = today
		w.log.Info("daily pass done", "day", today.Format(time.DateOnly), "vehicles", n)
		return nil
	})
}

// historyLoop tells the history of old records once they have gone quiet.
func (w *Worker) historyLoop(ctx context.Context) error {
	return w.every(ctx, "histories cannot be told", historyLook, nil, func() error {
		n, err := w.TellHistories(ctx)
		if n > 0 {
			w.log.Info("histories of old records told", "vehicles", n)
		}
		return err
	})
}

// keepLoop reports the lag, frees room in the stream and makes partitions ahead.
func (w *Worker) keepLoop(ctx context.Context) error {
	var made time.Time
	return w.every(ctx, "the stream or the partitions cannot be kept", keepEvery, nil, func() error {
		info, err := w.stream.Info(ctx)
		if err != nil {
			return err
		}
		now := w.clock()
		w.metrics.lag.Set(float64(info.Lag()))
		w.metrics.held.Set(float64(info.Quarantined))
		w.metrics.lagSeconds.Set(0)
		if !info.OldestTime.IsZero() {
			w.metrics.lagSeconds.Set(max(0, now.Sub(info.OldestTime).Seconds()))
		}
		if err := w.stream.Trim(ctx); err != nil {
			return err
		}
		if day := startOfDay(now); day.After(made) {
			if err := w.store.EnsurePartitions(ctx, now, now.AddDate(0, 0, 31), now.AddDate(0, 0, 62)); err != nil {
				return err
			}
			made = day
		}
		return nil
	})
}

// every does something at once, then whenever it is woken, and at least every
// so often, until the context ends. Failures are counted; the first of a row
// and its end are logged.
func (w *Worker) every(ctx context.Context, complaint string, d time.Duration, wake <-chan struct{}, do func() error) error {
	ticker := time.NewTicker(d)
	defer ticker.Stop()
	failing := false
	for {
		err := do()
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			w.metrics.failures.Inc()
		}
		if (err != nil) != failing {
			failing = err != nil
			if failing {
				w.log.Error(complaint, "error", err)
			} else {
				w.log.Info("it can again", "what", complaint)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		case <-wake:
		}
	}
}

// pause waits, or returns the context's error if that ends first.
func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
