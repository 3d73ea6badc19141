package main

import (
	"fmt"
	"io"
	"os"
	"sync/atomic"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"
)

// progress shows how far a long piece of work has come: a bar on a terminal, a
// line every few seconds elsewhere.
type progress struct {
	out   io.Writer
	name  string
	total int64

	bars *mpb.Progress
	bar  *mpb.Bar
	rows atomic.Int64 // read by the bar's own goroutine

	began time.Time
	said  time.Time // when the last plain line was written
}

// plainEvery is the time between two plain lines.
const plainEvery = 5 * time.Second

// newProgress begins to show work of a total (in any unit; 0 is none) under a name.
func newProgress(out io.Writer, name string, total int64) *progress {
	now := time.Now()
	p := &progress{out: out, name: name, total: total, began: now, said: now}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.bars = mpb.New(mpb.WithOutput(out), mpb.WithWidth(40), mpb.WithRefreshRate(150*time.Millisecond))
		p.bar = p.bars.AddBar(total,
			mpb.PrependDecorators(decor.Name(name+" ")),
			mpb.AppendDecorators(decor.Percentage(decor.WC{W: 5}), decor.Any(func(decor.Statistics) string { return "  " + p.rate() })))
	}
	return p
}

func (p *progress) rate() string {
	seconds := time.Since(p.began).Seconds()
	rows := p.rows.Load()
	if seconds <= 0 || rows == 0 {
		return ""
	}
	return fmt.Sprintf("%d done, %.0f/s", rows, float64(rows)/seconds)
}

// showOf is show where the total comes with the work; a row is a unit of it.
func (p *progress) showOf(done, total int64) {
	p.total = total
	if p.bar != nil {
		p.bar.SetTotal(total, false)
	}
	p.show(done, done)
}

// show says how much of the total is done, and how many rows that was.
func (p *progress) show(done, rows int64) {
	p.rows.Store(rows)
	if p.bar != nil {
		p.bar.SetCurrent(done)
		return
	}
	if now := time.Now(); now.Sub(p.said) >= plainEvery {
		p.said = now
		fmt.Fprintf(p.out, "%s: %d %%, %s\n", p.name, 100*done/max(p.total, 1), p.rate())
	}
}

// end takes the bar off; what became of the work is said by the caller.
func (p *progress) end(complete bool) {
	if p.bar == nil {
		return
	}
	if complete {
		p.bar.SetTotal(p.total, true)
	}
	p.bar.Abort(false)
	p.bars.Wait()
}

// transfer shows how much of a file has come whose length nobody knows.
type transfer struct {
	out         io.Writer
	name        string
	bars        *mpb.Progress
	bar         *mpb.Bar
	bytes       int64
	began, said time.Time
}

func newTransfer(out io.Writer, name string) *transfer {
	now := time.Now()
	t := &transfer{out: out, name: name, began: now, said: now}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		t.bars = mpb.New(mpb.WithOutput(out), mpb.WithWidth(8), mpb.WithRefreshRate(150*time.Millisecond))
		t.bar = t.bars.New(0, mpb.SpinnerStyle(), mpb.PrependDecorators(decor.Name(name+" ")),
			mpb.AppendDecorators(decor.CurrentKibiByte("% .1f"), decor.Name("  "), decor.AverageSpeed(decor.SizeB1024(0), "% .1f")))
	}
	return t
}

// reading returns the body, which tells how much of it was read.
func (t *transfer) reading(body io.Reader) io.Reader { return &counted{body, t} }

type counted struct {
	io.Reader
	of *transfer
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.Reader.Read(b)
	c.of.add(n)
	return n, err
}

func (t *transfer) add(n int) {
	t.bytes += int64(n)
	if t.bar != nil {
		t.bar.IncrBy(n)
		return
	}
	if now := time.Now(); now.Sub(t.said) >= plainEvery {
		t.said = now
		fmt.Fprintf(t.out, "%s: %.1f MB, %.1f MB/s\n", t.name, float64(t.bytes)/1e6, float64(t.bytes)/1e6/now.Sub(t.began).Seconds())
	}
}

func (t *transfer) end(complete bool) {
	if t.bar == nil {
		return
	}
	if complete {
		t.bar.SetTotal(-1, true)
	}
	t.bar.Abort(false)
	t.bars.Wait()
}
