package client

import (
	"context"
	"time"

	"github.com/cenkalti/backoff/v5"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// Patience says how long a call is tried again while the service is away or
// full. Every call of the service may be repeated: the same request sent again
// changes nothing.
type Patience struct {
	First   time.Duration                       // wait before the second try
	Longest time.Duration                       // longest wait between two tries
	GiveUp  time.Duration                       // no new try after this
	OnRetry func(err error, wait time.Duration) // told before every wait; may be nil
}

// DefaultPatience outlasts a restart of the service.
func DefaultPatience() Patience {
	return Patience{First: 100 * time.Millisecond, Longest: 5 * time.Second, GiveUp: 2 * time.Minute}
}

// CallPatiently is Call, tried again with growing waits while the service
// answers UNAVAILABLE or RESOURCE_EXHAUSTED. It waits as long as the service
// asks for where it says so.
func (c *Client) CallPatiently(ctx context.Context, p Patience, method, path string, in, out proto.Message) error {
	return p.Try(ctx, func() error { return c.Call(ctx, method, path, in, out) })
}

// Try calls until it succeeds, cannot succeed or patience ends.
func (p Patience) Try(ctx context.Context, call func() error) error {
	waits := &askedFor{ExponentialBackOff: backoff.NewExponentialBackOff()}
	waits.InitialInterval, waits.MaxInterval = p.First, p.Longest
	_, err := backoff.Retry(ctx, func() (struct{}, error) {
		err := call()
		waits.atLeast = 0
		switch status.Code(err) {
		case codes.OK:
			return struct{}{}, nil
		case codes.Unavailable, codes.ResourceExhausted:
			waits.atLeast = retryDelay(err)
			return struct{}{}, err
		}
		return struct{}{}, backoff.Permanent(err)
	}, backoff.WithBackOff(waits), backoff.WithMaxElapsedTime(p.GiveUp), backoff.WithNotify(p.notify))
	if ctx.Err() != nil {
		return status.FromContextError(ctx.Err()).Err()
	}
	return err
}

func (p Patience) notify(err error, wait time.Duration) {
	if p.OnRetry != nil {
		p.OnRetry(err, wait)
	}
}

// askedFor grows its waits and never waits less than the service asked for.
type askedFor struct {
	*backoff.ExponentialBackOff
	atLeast time.Duration
}

// NextBackOff implements backoff.BackOff.
func (a *askedFor) NextBackOff() time.Duration {
	return max(a.ExponentialBackOff.NextBackOff(), a.atLeast)
}

// retryDelay is the wait that the service asked for, 0 if it named none.
func retryDelay(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.RetryInfo); ok {
			return info.GetRetryDelay().AsDuration()
		}
	}
	return 0
}
