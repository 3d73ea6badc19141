package server

import (
	"context"
	"math"
	"strconv"
	"sync"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"creepage/internal/caller"
	"creepage/internal/problem"
)

// limiters is one rate limiter for each name, such as a key or an address.
// Names that have their full burst again are forgotten, for a new limiter
// would be no different.
type limiters struct {
	every rate.Limit
	burst int
	now   func() time.Time

	mu    sync.Mutex
	named map[string]*rate.Limiter
}

const mostLimiters = 10_000

func newLimiters(perSecond float64, burst int, now func() time.Time) *limiters {
	return &limiters{every: rate.Limit(perSecond), burst: burst, now: now, named: map[string]*rate.Limiter{}}
}

func (l *limiters) of(name string, now time.Time) *rate.Limiter {
	l.mu.Lock()
	defer l.mu.Unlock()
	limiter, ok := l.named[name]
	if !ok {
		if len(l.named) >= mostLimiters {
			l.forget(now)
		}
		limiter = rate.NewLimiter(l.every, l.burst)
		l.named[name] = limiter
	}
	return limiter
}

func (l *limiters) forget(now time.Time) {
	for name, limiter := range l.named {
		if limiter.TokensAt(now) >= float64(l.burst) {
			delete(l.named, name)
		}
	}
}

// take uses one up and returns how long to wait if there was none left.
func (l *limiters) take(name string) time.Duration {
	now := l.now()
	limiter := l.of(name, now)
	if limiter.AllowN(now, 1) {
		return 0
	}
	return l.until(limiter, now)
}

// wait returns how long until there is one to take, and takes none.
func (l *limiters) wait(name string) time.Duration {
	now := l.now()
	return l.until(l.of(name, now), now)
}

func (l *limiters) until(limiter *rate.Limiter, now time.Time) time.Duration {
	missing := 1 - limiter.TokensAt(now)
	if missing <= 0 {
		return 0
	}
	return max(time.Millisecond, time.Duration(missing/float64(l.every)*float64(time.Second)))
}

// headers say how many calls a name may make at once, how many it has left, and
// in how many seconds it has them all again: ratelimit-limit, ratelimit-remaining
// and ratelimit-reset, as HTTP clients know them (IETF draft
// draft-ietf-httpapi-ratelimit-headers, up to its sixth edition).
func (l *limiters) headers(name string) metadata.MD {
	now := l.now()
	left := l.of(name, now).TokensAt(now)
	full := math.Ceil((float64(l.burst) - left) / float64(l.every))
	return metadata.Pairs(rateHeaders[0], strconv.Itoa(l.burst), rateHeaders[1], strconv.Itoa(int(max(0, left))), rateHeaders[2], strconv.Itoa(int(full)))
}

// rateHeaders are the headers of the rate limit: limit, remaining, reset.
var rateHeaders = [3]string{"ratelimit-limit", "ratelimit-remaining", "ratelimit-reset"}

// limitRate is the chain's rate limit per key.
func (s *Server) limitRate(ctx context.Context, _ string) (context.Context, error) {
	c, ok := caller.From(ctx)
	if !ok || s.config.CallsPerSecond <= 0 {
		return ctx, nil
	}
	name := c.Organisation.String() + "/" + c.KeyID
	wait := s.rates.take(name)
	if err := grpc.SetHeader(ctx, s.rates.headers(name)); err != nil {
		s.log.DebugContext(ctx, "rate limit not sent back", "error", err)
	}
	if wait > 0 {
		return nil, problem.Exhausted("RATE_LIMIT", wait, "the key may make %g calls a second; put more readings into each call", s.config.CallsPerSecond)
	}
	return ctx, nil
}
