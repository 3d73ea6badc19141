package app

import (
	"context"
	"errors"
	"time"
)

// settleEvery is how often a process is asked whether it has anything left to do.
const settleEvery = 100 * time.Millisecond

// Settled waits until everything that was submitted is in the database and has
// been evaluated, old records included.
func (p *Process) Settled(ctx context.Context) error {
	if p.shared == nil || p.shared.worker == nil {
		return errors.New("this process has no worker")
	}
	again := time.NewTicker(settleEvery)
	defer again.Stop()
	for {
		info, err := p.shared.stream.Info(ctx)
		if err != nil {
			return err
		}
		if info.Lag() == 0 {
			pending, err := p.shared.worker.Pending(ctx)
			if err != nil || pending == 0 {
				return err
			}
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
