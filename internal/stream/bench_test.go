package stream

import (
	"fmt"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	streamv1 "creepage/api/creepage/stream/v1"
)

// BenchmarkPublish compares, in one run and with every message synced: one
// publisher of one reading a message, and Submit with 1 and 64 callers of one
// and of a hundred readings a call.
func BenchmarkPublish(b *testing.B) {
	perSecond := func(b *testing.B, readings int) {
		b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	}
	b.Run("raw/one synchronous publisher", func(b *testing.B) {
		s := openStream(b, Settings{})
		message, err := proto.Marshal(&streamv1.Batch{Entries: []*streamv1.Entry{entry(1, "raw")}})
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			if _, err := s.js.Publish(b.Context(), subjectOf(0), message); err != nil {
				b.Fatal(err)
			}
		}
		perSecond(b, b.N)
	})
	for _, callers := range []int{1, 64} {
		for _, size := range []int{1, 100} {
			b.Run(fmt.Sprintf("submit/%d callers of %d", callers, size), func(b *testing.B) {
				s := openStream(b, Settings{})
				p := newPublisher(b, s)
				calls := make(chan struct{})
				var wg sync.WaitGroup
				for c := range callers {
					entries := make([]*streamv1.Entry, size)
					for i := range entries {
						entries[i] = entry(c*7+i, fmt.Sprintf("%d-%d", c, i))
					}
					wg.Go(func() {
						for range calls {
							if err := p.Submit(b.Context(), entries); err != nil {
								b.Error(err)
							}
						}
					})
				}
				b.ResetTimer()
				for range b.N {
					calls <- struct{}{}
				}
				close(calls)
				wg.Wait()
				perSecond(b, b.N*size)
			})
		}
	}
}
