package worker

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/riverqueue/river"

	"creepage/internal/digest"
	"creepage/internal/mail"
	"creepage/internal/store"
	"creepage/internal/timetable"
)

// DueDigests is the job that looks, every minute, which digests are due.
type DueDigests struct{}

// Kind names the job in the database.
func (DueDigests) Kind() string { return "due_digests" }

// Digest is the job of one summary to one person. It is made in the transaction
// that moves the digest on, and tells of a span that is fixed with it.
type Digest struct {
	Organisation uuid.UUID `json:"organisation"`
	Digest       uuid.UUID `json:"digest"`
	After        int64     `json:"after"`   // the changes after this one
	Through      int64     `json:"through"` // up to this one
	Since        time.Time `json:"since"`
	At           time.Time `json:"at"`
	Asked        bool      `json:"asked"`
}

// Kind names the job in the database.
func (Digest) Kind() string { return "digest" }

const (
	digestsEvery   = time.Minute
	digestGroup    = 100 // taken in one transaction
	digestAttempts = 12  // by River's schedule of n^4 seconds within eleven hours
	digestWorkers  = 4
	digestQueue    = "mail"
)

// dueDigests makes a job of each digest that is due.
func (w *Worker) dueDigests(ctx context.Context, _ *river.Job[DueDigests]) error {
	for {
		n := 0
		err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
			now := w.clock()
			due, err := tx.TakeDueDigests(ctx, now, digestGroup)
			if err != nil {
				return err
			}
			n = len(due)
			for i := range due {
				d := &due[i]
				zone, err := timetable.Zone(d.TimeZone)
				if err != nil { // it was known when it was stated
					zone = time.UTC
				}
				next := d.NextAt
				if !next.After(now) { // one that was asked for in between leaves the next where it was
					next = digest.Next(digest.Frequency(d.Frequency), d.Hour, zone, now)
				}
				if err := tx.AdvanceDigest(ctx, d, next, now); err != nil {
					return err
				}
				if _, err := w.jobs.InsertTx(ctx, tx.Raw(), Digest{Organisation: d.Organisation, Digest: d.ID, After: d.After, Through: d.Through, Since: d.Since, At: now, Asked: d.Asked},
					&river.InsertOpts{Queue: digestQueue, MaxAttempts: digestAttempts}); err != nil {
					return fmt.Errorf("enqueue digest %s: %w", d.ID, err)
				}
			}
			return nil
		})
		if err != nil || n < digestGroup {
			return err
		}
	}
}

// sendDigest composes a digest and hands it to the mail server. A message that
// was taken although its record failed is sent again under the same Message-ID.
func (w *Worker) sendDigest(ctx context.Context, job *river.Job[Digest]) error {
	var d store.Digest
	var content *digest.Content
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) (err error) {
		d, content, err = composeDigest(ctx, tx, &job.Args)
		return err
	})
	if errors.Is(err, store.ErrNotFound) {
		return nil // deleted meanwhile
	}
	if err != nil || content == nil {
		return err
	}
	sent := errors.New("the operator has set no mail server (CREEPAGE_SMTP_URL)")
	if w.mail != nil {
		sent = w.mail.Send(ctx, mail.Message{ID: fmt.Sprintf("%s.%s@creepage", d.ID, strconv.FormatInt(job.Args.At.UnixMicro(), 36)), To: d.Email,
			Subject: content.Subject(), Text: content.Text(), Date: w.clock()})
	}
	said := ""
	if sent != nil {
		said = shortened(sent.Error())
	}
	if err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error { return tx.RecordDigest(ctx, d.ID, w.clock(), said) }); err != nil {
		return err
	}
	if w.mail == nil || errors.Is(sent, mail.ErrRefused) {
		return river.JobCancel(sent)
	}
	return sent
}

// composeDigest says what a digest tells; nil if there is nothing to be said:
// a daily one is sent when something was raised or ended.
func composeDigest(ctx context.Context, tx *store.WorkerTx, args *Digest) (store.Digest, *digest.Content, error) {
	d, organisation, err := tx.DigestOf(ctx, args.Digest)
	if err != nil {
		return d, nil, err
	}
	zone, err := timetable.Zone(d.TimeZone)
	if err != nil {
		zone = time.UTC
	}
	where, err := store.WarningFields().Parse(d.Filter)
	if err != nil {
		return d, nil, fmt.Errorf("digest %s: %w", d.ID, err)
	}
	c := &digest.Content{Organisation: organisation, Title: d.Title, Zone: zone, Since: args.Since, Now: args.At}
	const most = 10_000 // changes looked at; of more than that nobody reads the names
	changes, err := tx.WarningChangesOf(ctx, args.Organisation, where, args.After, args.Through, most)
	if err != nil {
		return d, nil, err
	}
	for _, change := range changes {
		switch change.Event {
		case store.WarningRaised:
			c.Raised = append(c.Raised, change)
		case store.WarningEnded:
			c.Ended = append(c.Ended, change)
		}
	}
	if len(c.Raised)+len(c.Ended) == 0 && d.Frequency == int16(digest.Daily) && !args.Asked {
		return d, nil, nil
	}
	var standing int
	if c.Standing, standing, err = tx.StandingWarnings(ctx, args.Organisation, where, digest.MostLines); err != nil {
		return d, nil, err
	}
	c.MoreStanding = standing - len(c.Standing)
	if more := len(c.Raised) - digest.MostLines; more > 0 {
		c.Raised, c.MoreRaised = c.Raised[:digest.MostLines], more
	}
	if more := len(c.Ended) - digest.MostLines; more > 0 {
		c.Ended, c.MoreEnded = c.Ended[:digest.MostLines], more
	}
	return d, c, nil
}
