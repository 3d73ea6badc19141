package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
)

// Process is one running part of the service, or several in one process.
type Process struct {
	HTTP, GRPC string // addresses it listens on; empty: none

	common Common
	shared *shared
	stack  stack
	failed chan error // the first part that ended by itself
	once   sync.Once
}

func newProcess(c Common) *Process {
	limitMemory()
	return &Process{common: c, failed: make(chan error, 1)}
}

// fail notes that a part ended although nobody stopped it.
func (p *Process) fail(part string, err error) {
	if err == nil {
		err = errors.New("it ended")
	}
	p.once.Do(func() { p.failed <- fmt.Errorf("%s: %w", part, err) })
}

// Failed is sent the error of the first part that ends by itself.
func (p *Process) Failed() <-chan error { return p.failed }

// Stop ends everything in order: it says NOT_SERVING, stops taking calls and lets
// those in flight end, flushes what was taken, lets the worker finish what it has,
// and closes the connections. What has not ended with the context is ended by
// force. It may be called more than once.
func (p *Process) Stop(ctx context.Context) error { return p.stack.close(ctx) }

// run runs a process until the context ends or one of its parts does.
func run(ctx context.Context, p *Process) error {
	var failed error
	select {
	case <-ctx.Done():
		p.common.Log.Info("stopping")
	case failed = <-p.failed:
	}
	stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	return errors.Join(failed, p.Stop(stopping))
}

// abort stops what a start had begun when it failed.
func (p *Process) abort(err error) error {
	ctx, cancel := context.WithTimeout(context.Background(), stopTimeout)
	defer cancel()
	return errors.Join(err, p.Stop(ctx))
}

// listen opens a listener and returns it with its address.
func listen(address string) (net.Listener, string, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, "", err
	}
	return l, l.Addr().String(), nil
}
