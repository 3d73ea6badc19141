// Package webhook sends signed messages to addresses that callers name. The
// signature is that of the Standard Webhooks specification (symmetric, v1);
// the sender refuses addresses inside the operator's own network unless it is
// told otherwise, checking the address that is really dialled, so that neither
// a redirect nor a changed DNS answer leads it inside.
package webhook

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"syscall"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

const (
	secretPrefix = "whsec_"         // of the specification
	secretBytes  = 32               // the specification asks for 24 to 64
	attemptTime  = 15 * time.Second // the specification recommends 15 to 30 s
	maxAnswer    = 64 << 10         // bytes read of an answer's body; the rest is of no interest
	maxURL       = 2048
)

// ErrGone says that the endpoint answered 410: it wants no more messages.
var ErrGone = errors.New("the endpoint answered 410 Gone")

// ErrForbiddenAddress says that an endpoint lies at an address the operator has not allowed.
var ErrForbiddenAddress = errors.New("address is private, loopback or reserved, which this service does not send to")

// NewSecret returns a fresh signing secret in the specification's form.
func NewSecret() string {
	b := make([]byte, secretBytes)
	rand.Read(b) // never fails: crypto/rand ends the program instead
	return secretPrefix + base64.StdEncoding.EncodeToString(b)
}

// Message is one message to one endpoint. The same ID on every attempt lets
// the receiver recognise a repeat.
type Message struct {
	ID      string
	URL     string
	Secrets []string // every secret in force, newest first: during a rotation both sign
	Body    []byte   // JSON
}

// Sender sends messages. Its zero value is not usable.
type Sender struct {
	client *http.Client
	policy Policy
}

// Policy is what the operator allows.
type Policy struct {
	Inside    bool // private, loopback and link-local addresses
	PlainHTTP bool // http:// beside https://
}

// NewSender returns a sender that keeps to the policy.
func NewSender(policy Policy) *Sender {
	dialer := &net.Dialer{Timeout: 5 * time.Second}
	if !policy.Inside {
		dialer.Control = refuseInside
	}
	return &Sender{policy: policy, client: &http.Client{
		Timeout: attemptTime,
		Transport: &http.Transport{
			Proxy:                 nil, // a proxy would dial for us, past the check
			DialContext:           dialer.DialContext,
			TLSHandshakeTimeout:   5 * time.Second,
			ResponseHeaderTimeout: attemptTime,
			MaxIdleConnsPerHost:   2,
			IdleConnTimeout:       time.Minute,
			ForceAttemptHTTP2:     true,
		},
		// An answer that leads elsewhere is a failed delivery: the endpoint's owner gave one address.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// refuseInside is asked with the address that is about to be connected to,
// after name resolution.
func refuseInside(network, address string, _ syscall.RawConn) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("address %q: %w", address, err)
	}
	if !outside(at.Addr()) {
		return fmt.Errorf("%s: %w", at.Addr(), ErrForbiddenAddress)
	}
	return nil
}

// notOutside are blocks that netip does not name: IANA's special-purpose
// registries for IPv4 (RFC 6890) and IPv6, where they are not globally reachable
// or hide another address.
var notOutside = []netip.Prefix{
	netip.MustParsePrefix("0.0.0.0/8"),
	netip.MustParsePrefix("100.64.0.0/10"), // carrier-grade NAT, RFC 6598
	netip.MustParsePrefix("192.0.0.0/24"),
	netip.MustParsePrefix("192.0.2.0/24"), // documentation, RFC 5737
	netip.MustParsePrefix("198.18.0.0/15"),
	netip.MustParsePrefix("198.51.100.0/24"),
	netip.MustParsePrefix("203.0.113.0/24"),
	netip.MustParsePrefix("240.0.0.0/4"),
	netip.MustParsePrefix("64:ff9b::/96"), // NAT64 leads to an IPv4 address, RFC 6052
	netip.MustParsePrefix("64:ff9b:1::/48"),
	netip.MustParsePrefix("100::/64"),
	netip.MustParsePrefix("2001::/23"),
	netip.MustParsePrefix("2001:db8::/32"),
	netip.MustParsePrefix("2002::/16"), // 6to4 hides an IPv4 address, RFC 3056
	netip.MustParsePrefix("fec0::/10"),
}

// outside reports whether an address is a public one.
func outside(a netip.Addr) bool {
	a = a.Unmap()
	if !a.IsGlobalUnicast() || a.IsPrivate() || a.IsLoopback() || a.IsLinkLocalUnicast() {
		return false
	}
	for _, p := range notOutside {
		if p.Contains(a) {
			return false
		}
	}
	return true
}

// CheckURL says what is wrong with an endpoint's address before anything is
// sent to it. A name is not resolved here: what it leads to is checked when it
// is dialled.
func (s *Sender) CheckURL(raw string) error {
	if len(raw) > maxURL {
		return fmt.Errorf("url has %d characters: at most %d are allowed", len(raw), maxURL)
	}
	u, err := url.Parse(raw)
	if err != nil {
		return fmt.Errorf("url %q cannot be read: %w", raw, err)
	}
	switch {
	case u.Scheme != "https" && (u.Scheme != "http" || !s.policy.PlainHTTP):
		return fmt.Errorf("url %q must begin with https://", raw)
	case u.Hostname() == "":
		return fmt.Errorf("url %q names no host", raw)
	case u.User != nil:
		return fmt.Errorf("url must not carry a user or password")
	case u.Fragment != "":
		return fmt.Errorf("url %q must not carry a fragment", raw)
	}
	if a, err := netip.ParseAddr(u.Hostname()); err == nil && !s.policy.Inside && !outside(a) {
		return fmt.Errorf("url %q: %w", raw, ErrForbiddenAddress)
	}
	return nil
}

// Send makes one attempt. It returns nil when the endpoint answered 2xx,
// ErrGone when it wants no more, and otherwise an error that says what
// happened, without the body or the secret.
func (s *Sender) Send(ctx context.Context, m Message, now time.Time) error {
	if err := s.CheckURL(m.URL); err != nil {
		return err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, m.URL, bytes.NewReader(m.Body))
	if err != nil {
		return err
	}
	signature, err := sign(m, now)
	if err != nil {
		return err
	}
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", "creepage")
	request.Header.Set(standardwebhooks.HeaderWebhookID, m.ID)
	request.Header.Set(standardwebhooks.HeaderWebhookTimestamp, fmt.Sprint(now.Unix()))
	request.Header.Set(standardwebhooks.HeaderWebhookSignature, signature)
	answer, err := s.client.Do(request)
	if err != nil {
		var whole *url.Error
		if errors.As(err, &whole) { // without the address, which may hold a secret of the receiver's
			err = whole.Err
		}
		return fmt.Errorf("the endpoint could not be reached: %w", err)
	}
	defer answer.Body.Close()
	// Read a little so that the connection can be used again; what it says is not kept.
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, maxAnswer))
	switch {
	case answer.StatusCode >= 200 && answer.StatusCode < 300:
		return nil
	case answer.StatusCode == http.StatusGone:
		return ErrGone
	}
	return &Refused{Status: answer.StatusCode, RetryAfter: retryAfter(answer.Header.Get("Retry-After"), now)}
}

// Refused says that the endpoint answered, and not with 2xx or 410.
type Refused struct {
	Status     int
	RetryAfter time.Duration // for which it asked; 0: it did not ask
}

// Error says what was answered.
func (r *Refused) Error() string {
	if r.Status >= 300 && r.Status < 400 {
		return fmt.Sprintf("the endpoint answered %d: redirects are not followed", r.Status)
	}
	return fmt.Sprintf("the endpoint answered %d", r.Status)
}

// longestWait bounds what an endpoint may ask for.
const longestWait = time.Hour

// retryAfter reads the header of that name: seconds or a date (RFC 9110, section 10.2.3).
func retryAfter(header string, now time.Time) time.Duration {
	wait := time.Duration(0)
	if seconds, err := strconv.Atoi(header); err == nil {
		wait = time.Duration(min(seconds, int(longestWait.Seconds()))) * time.Second
	} else if at, err := http.ParseTime(header); err == nil {
		wait = at.Sub(now)
	}
	return min(max(wait, 0), longestWait)
}

// sign returns the signature header: one signature a secret, space-separated.
func sign(m Message, now time.Time) (string, error) {
	if len(m.Secrets) == 0 {
		return "", errors.New("no signing secret")
	}
	var header []byte
	for i, secret := range m.Secrets {
		w, err := standardwebhooks.NewWebhook(secret)
		if err != nil {
			return "", errors.New("signing secret cannot be read") // the cause would show the secret
		}
		signature, err := w.Sign(m.ID, now, m.Body)
		if err != nil {
			return "", err
		}
		if i > 0 {
			header = append(header, ' ')
		}
		header = append(header, signature...)
	}
	return string(header), nil
}

// RetryAfter returns how long to wait before attempt n+1 (n from 1): the
// schedule recommended by the Standard Webhooks specification, 5 s to 14 h,
// which together spans three days. It returns false when the attempts are used up.
func RetryAfter(n int) (time.Duration, bool) {
	schedule := []time.Duration{
		5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour,
		10 * time.Hour, 14 * time.Hour, 20 * time.Hour, 24 * time.Hour,
	}
	if n < 1 || n > len(schedule) {
		return 0, false
	}
	return schedule[n-1], true
}
