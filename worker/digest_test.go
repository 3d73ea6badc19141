package worker

import (
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"github.com/google/uuid"

	"creepage/internal/digest"
	"creepage/internal/insulation"
	mailserver "creepage/internal/mail"
	"creepage/internal/store"
	"creepage/internal/timetable"
	"creepage/internal/trend"
)

// mailbox is an SMTP server on TCP (RFC 5321, by github.com/emersion/go-smtp)
// that keeps what it takes.
type mailbox struct {
	address string
	letters chan letter

	mu      sync.Mutex
	refuses int // how many it still refuses for now
}

type letter struct {
	from, to string
	header   mail.Header
	text     string
}

func newMailbox(t *testing.T) *mailbox {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mailbox{address: l.Addr().String(), letters: make(chan letter, 100)}
	s := smtp.NewServer(m)
	go func() { _ = s.Serve(l) }()
	t.Cleanup(func() { _ = s.Close() })
	return m
}

func (m *mailbox) NewSession(*smtp.Conn) (smtp.Session, error) { return &session{box: m}, nil }

type session struct {
	box *mailbox
	letter
}

func (s *session) Reset()                                      {}
func (s *session) Logout() error                               { return nil }
func (s *session) Mail(from string, _ *smtp.MailOptions) error { s.from = from; return nil }
func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error   { s.to = to; return nil }
func (s *session) Data(r io.Reader) error {
	s.box.mu.Lock()
	defer s.box.mu.Unlock()
	if s.box.refuses > 0 {
		s.box.refuses--
		return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "try again later"}
	}
	m, err := mail.ReadMessage(r)
	if err != nil {
		return err
	}
	text, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		return err
	}
	s.header, s.text = m.Header, strings.ReplaceAll(string(text), "\r\n", "\n")
	s.box.letters <- s.letter
	return nil
}

func (m *mailbox) next(t *testing.T) letter {
	t.Helper()
	select {
	case l := <-m.letters:
		return l
	case <-time.After(20 * time.Second):
		t.Fatal("no letter came in 20 s")
		return letter{}
	}
}

// newDigests is an environment whose worker sends mail.
func newDigests(t *testing.T) (*hooks, *mailbox) {
	t.Helper()
	box := newMailbox(t)
	server, err := mailserver.NewServer("smtp://"+box.address+"?tls=none", "Fleet alerts <alerts@fleet.example>")
	if err != nil {
		t.Fatal(err)
	}
	h := newHooks(t, anywhere, 0, func(w *Worker) { w.mail = server })
	h.db.Exec(t, `UPDATE organisations SET title = 'Harbour Group'`)
	return h, box
}

// digest registers a digest that is due at the next hour 6 of Berlin's clock.
func (h *hooks) digest(change ...func(*store.Digest)) uuid.UUID {
	h.t.Helper()
	d := store.Digest{ID: uuid.Must(uuid.NewV7()), Title: "Vans of Ann", Email: "ann@shop.example", Frequency: int16(digest.Daily), Hour: 6, TimeZone: "Europe/Berlin", CreatedAt: h.clock()}
	for _, f := range change {
		f(&d)
	}
	zone, err := timetable.Zone(d.TimeZone)
	if err != nil {
		h.t.Fatal(err)
	}
	d.NextAt = digest.Next(digest.Frequency(d.Frequency), d.Hour, zone, h.clock())
	h.asOrganisation(func(tx *store.Tx) error { return tx.CreateDigest(h.t.Context(), &d) })
	return d.ID
}

// look has the periodic job done now.
func (h *hooks) look() {
	h.t.Helper()
	if _, err := h.worker.jobs.Insert(h.t.Context(), DueDigests{}, nil); err != nil {
		h.t.Fatal(err)
	}
	h.until(`SELECT count(*) FROM river_job WHERE kind = 'due_digests' AND state <> 'completed'`, 0)
}

func TestADigestTellsWhatWasRaisedAndEndedAndWhatStands(t *testing.T) {
	h, box := newDigests(t) // it is Wednesday, 1 July 2026, 12:00 UTC
	before := h.raise(trend.SuddenDrop, insulation.Cable)
	h.digest()
	h.digest(func(d *store.Digest) { d.Email, d.Filter = "bob@shop.example", "kind = UNDER_SERVICE_LIMIT" })
	h.raise(trend.CodeDue, insulation.Motor)
	h.asOrganisation(func(tx *store.Tx) error {
		return tx.EndWarning(t.Context(), before, h.clock(), "the cable was\r\nreplaced")
	})
	h.look() // nothing is due yet
	h.later(17 * time.Hour)
	h.look()
	l := box.next(t)
	subject, err := new(mime.WordDecoder).DecodeHeader(l.header.Get("Subject"))
	if err != nil || subject != "Harbour Group: 1 new, 1 ended, 1 standing" {
		t.Errorf("subject %q, %v", subject, err)
	}
	if l.from != "alerts@fleet.example" || l.to != "ann@shop.example" || !strings.HasPrefix(l.header.Get("Content-Type"), "text/plain") || l.header.Get("Auto-Submitted") != "auto-generated" ||
		!strings.HasSuffix(l.header.Get("Message-Id"), "@creepage>") {
		t.Errorf("from %s to %s, %v", l.from, l.to, l.header)
	}
	want := `Warnings of Harbour Group, Thursday 2 July 2026, 07:00 CEST.
Vans of Ann

New since 1 July 2026, 14:00: 1
  - van-1: isolation code expected, motor, raised 1 July 2026, 14:00
      the motor falls
      probability 30 % within the lead time

Ended: 1
  - van-1: sudden drop, cable
      ended 1 July 2026, 14:00: the cable was  replaced

Standing, most urgent first: 1
  - van-1: isolation code expected, motor, raised 1 July 2026, 14:00
      the motor falls
      probability 30 % within the lead time

High voltage kills. Testing is for qualified people only, who follow the vehicle maker's procedure and
local codes and prove zero volts. These are forecasts; none of them declares a vehicle safe.
`
	if l.text != want {
		t.Errorf("the letter is\n%s\nwant\n%s", l.text, want)
	}
	h.until(`SELECT count(*) FROM digests WHERE email = 'ann@shop.example' AND sent_at = '2026-07-02 05:00+00' AND next_at = '2026-07-03 04:00+00' AND last_error = ''`, 1)

	// Nothing was raised or ended since, nor for Bob at all: no letter, and the next day is waited for.
	h.later(24 * time.Hour)
	h.look()
	h.until(`SELECT count(*) FROM river_job WHERE kind = 'digest' AND state = 'completed'`, 4)
	if n := h.count(`SELECT count(*) FROM digests WHERE next_at = '2026-07-04 04:00+00'`); n != 2 || len(box.letters) != 0 {
		t.Errorf("%d digests wait for the next day; %d letters about nothing", n, len(box.letters))
	}
}

func TestAWeeklyDigestComesEvenIfAllIsQuietAndOneThatWasAskedForAtOnce(t *testing.T) {
	h, box := newDigests(t)
	id := h.digest(func(d *store.Digest) { d.Frequency = int16(digest.Weekly) })
	h.asOrganisation(func(tx *store.Tx) error { return tx.AskForDigest(t.Context(), id, h.clock()) })
	h.look()
	if l := box.next(t); !strings.Contains(l.text, "Wednesday 1 July 2026") || !strings.Contains(l.text, "Standing, most urgent first: 0") {
		t.Errorf("%s", l.text)
	}
	h.later(5 * 24 * time.Hour) // Monday noon
	h.look()
	if l := box.next(t); !strings.Contains(l.text, "Monday 6 July 2026") || !strings.Contains(l.text, "New since 1 July 2026, 14:00: 0") {
		t.Errorf("%s", l.text)
	}
	h.until(`SELECT count(*) FROM digests WHERE next_at = '2026-07-13 04:00+00' AND asked_at IS NULL`, 1)
}

func TestALetterThatIsRefusedForNowIsSentAgainAsTheSameLetter(t *testing.T) {
	h, box := newDigests(t)
	box.refuses = 1
	h.digest()
	h.raise(trend.CodeDue, insulation.Motor)
	h.later(17 * time.Hour)
	h.look()
	h.until(`SELECT count(*) FROM digests WHERE last_error LIKE '%try again later%' AND sent_at IS NULL`, 1)
	h.later(time.Minute)
	first := box.next(t)
	h.until(`SELECT count(*) FROM digests WHERE last_error = '' AND sent_at IS NOT NULL`, 1)
	if !strings.Contains(first.text, "New since 1 July 2026, 14:00: 1") {
		t.Errorf("%s", first.text)
	}
	if n := h.count(`SELECT count(*) FROM river_job WHERE kind = 'digest'`); n != 1 {
		t.Errorf("%d jobs of one digest", n)
	}
}

func TestWithoutAMailServerADigestSaysSo(t *testing.T) {
	h := newHooks(t, anywhere, 0)
	id := h.digest()
	h.asOrganisation(func(tx *store.Tx) error { return tx.AskForDigest(t.Context(), id, h.clock()) })
	h.look()
	h.until(`SELECT count(*) FROM digests WHERE last_error LIKE '%CREEPAGE_SMTP_URL%'`, 1)
}

func TestALongDigestCountsWhatItDoesNotName(t *testing.T) {
	c := digest.Content{Organisation: "Harbour\nGroup", Zone: time.UTC, Now: time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC), MoreRaised: 7, MoreStanding: 3}
	for i := range digest.MostLines {
		c.Raised = append(c.Raised, store.WarningChange{Warning: store.Warning{Vehicle: fmt.Sprint("van-", i), Kind: trend.UnderCodeLimit}})
	}
	text := c.Text()
	if !strings.Contains(text, ": 57\n") || !strings.Contains(text, "  and 7 more\n") || !strings.Contains(text, "  and 3 more\n") || strings.Contains(c.Subject(), "\n") {
		t.Errorf("%s\n%s", c.Subject(), text)
	}
}
