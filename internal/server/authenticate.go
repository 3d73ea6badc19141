package server

import (
	"context"
	"crypto/sha256"
	"errors"
	"net"
	"strings"
	"sync"
	"time"

	middleware "github.com/grpc-ecosystem/go-grpc-middleware/v2"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"

	"creepage/internal/caller"
	"creepage/internal/problem"
)

const (
	keyCacheFor     = 2 * time.Second // so a revoked key is refused everywhere within two seconds
	keyCacheEntries = 10_000
	longestSecret   = 256
)

// authenticateStep is the chain's key check. Secrets are compared by their hash
// alone: what is looked up says nothing about how near a guess came. On a
// stream the key is checked again with every message, and every two seconds
// where none comes, so that a long-lived one ends soon after its key did.
func (s *Server) authenticateStep() step {
	st := gate("authenticate", s.authenticate)
	first := st.stream
	st.stream = func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
		return first(srv, ss, info, func(srv any, ss grpc.ServerStream) error {
			if open(info.FullMethod) {
				return handle(srv, ss)
			}
			ctx, end := context.WithCancelCause(ss.Context())
			defer end(nil)
			go s.endWithKey(ctx, end)
			err := handle(srv, &checkedStream{ServerStream: &middleware.WrappedServerStream{ServerStream: ss, WrappedContext: ctx}, check: func(any) error {
				_, err := s.authenticate(ss.Context(), info.FullMethod)
				return err
			}})
			if cause := context.Cause(ctx); errors.Is(cause, caller.ErrNoKey) {
				return invalidKey().Because(cause)
			}
			return err
		})
	}
	return st
}

// endWithKey ends a stream whose key has ended. A key that cannot be checked
// for the moment is taken for what it was.
func (s *Server) endWithKey(ctx context.Context, end context.CancelCauseFunc) {
	hash, err := hashOf(firstValue(ctx, "authorization"))
	if err != nil {
		return // it has not come this far
	}
	ticker := time.NewTicker(keyCacheFor)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			if _, err := s.keys.find(ctx, hash); errors.Is(err, caller.ErrNoKey) {
				end(err)
				return
			}
		}
	}
}

func (s *Server) authenticate(ctx context.Context, method string) (context.Context, error) {
	if open(method) {
		return ctx, nil
	}
	c, err := s.callerOf(ctx, firstValue(ctx, "authorization"), remoteAddress(ctx))
	if err != nil {
		return nil, err
	}
	noteCaller(ctx, c)
	return caller.Into(ctx, c), nil
}

// callerOf checks an Authorization header. Addresses that keep failing have to
// wait, except with keys that were valid before: behind a proxy many callers
// share one address.
func (s *Server) callerOf(ctx context.Context, header, remote string) (caller.Caller, error) {
	hash, err := hashOf(header)
	if err != nil {
		return caller.Caller{}, err
	}
	if wait := s.failures.wait(remote); wait > 0 && !s.keys.seen(hash) {
		return caller.Caller{}, problem.Exhausted("TOO_MANY_FAILED_KEYS", wait, "too many calls with keys that are not valid came from your address; wait %s", wait.Round(time.Second))
	}
	c, err := s.keys.find(ctx, hash)
	var known *problem.Error
	switch {
	case err == nil:
		return c, nil
	case errors.Is(err, caller.ErrNoKey):
		s.failures.take(remote)
		return caller.Caller{}, invalidKey()
	case errors.As(err, &known) && known.Code != codes.Internal, errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return caller.Caller{}, err
	}
	return caller.Caller{}, problem.Unavailable("KEYS_OUT_OF_REACH", time.Second, "keys cannot be checked for the moment").Because(err)
}

func invalidKey() *problem.Error {
	return problem.Unauthenticated("INVALID_KEY", "the key is not valid: it is unknown, has expired or was revoked")
}

// hashOf returns the hash of the secret in an Authorization header.
func hashOf(header string) (hash [sha256.Size]byte, err error) {
	if header == "" {
		return hash, problem.Unauthenticated("NO_KEY", "a key is needed: Authorization: Bearer KEY")
	}
	scheme, secret, _ := strings.Cut(header, " ")
	secret = strings.TrimSpace(secret)
	if !strings.EqualFold(scheme, "Bearer") || secret == "" || len(secret) > longestSecret {
		return hash, problem.Unauthenticated("MALFORMED_KEY", "the Authorization header is not of the form: Bearer KEY")
	}
	return sha256.Sum256([]byte(secret)), nil
}

// keyCache remembers keys for a moment, so that a busy caller costs the
// database one lookup in two seconds.
type keyCache struct {
	lookup caller.Find
	now    func() time.Time

	mu      sync.Mutex
	entries map[[sha256.Size]byte]keyEntry
}

type keyEntry struct {
	caller caller.Caller
	until  time.Time
}

// seen says whether the key was valid when it was last looked up.
func (k *keyCache) seen(hash [sha256.Size]byte) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	_, ok := k.entries[hash]
	return ok
}

func (k *keyCache) find(ctx context.Context, hash [sha256.Size]byte) (caller.Caller, error) {
	now := k.now()
	k.mu.Lock()
	entry, ok := k.entries[hash]
	k.mu.Unlock()
	if ok && now.Before(entry.until) {
		return entry.caller, nil
	}
	c, err := k.lookup(ctx, hash, now)
	if errors.Is(err, caller.ErrNoKey) {
		k.mu.Lock()
		defer k.mu.Unlock()
		delete(k.entries, hash)
	}
	if err != nil {
		return caller.Caller{}, err
	}
	until := now.Add(keyCacheFor)
	if !c.ExpiresAt.IsZero() && c.ExpiresAt.Before(until) {
		until = c.ExpiresAt
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.entries) >= keyCacheEntries {
		clear(k.entries)
	}
	k.entries[hash] = keyEntry{c, until}
	return c, nil
}

// remoteAddress returns the caller's address without its port. Over the
// gateway's in-memory connection it is what the gateway saw.
func remoteAddress(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return ""
	}
	if p.Addr.Network() == "bufconn" {
		return firstValue(ctx, remoteHeader)
	}
	return hostOf(p.Addr.String())
}

func hostOf(address string) string {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return address
	}
	return host
}
