package report

import "time"

// filler fills a row cell by cell, in the order of the columns, using the
// slice again. Every cell is written anew, so nothing of the row before stays.
type filler struct {
	cells []Value
	next  int
}

func (f *filler) put(v Value) *filler {
	f.cells[f.next] = v
	f.next++
	return f
}

func (f *filler) text(list ...string) *filler {
	for _, s := range list {
		c := &f.cells[f.next]
		c.Given, c.S = s != "", s
		f.next++
	}
	return f
}

func (f *filler) number(list ...float64) *filler {
	for _, x := range list {
		c := &f.cells[f.next]
		c.Given, c.F = x == x, x
		f.next++
	}
	return f
}

func (f *filler) integer(n int64) *filler {
	c := &f.cells[f.next]
	c.Given, c.I = true, n
	f.next++
	return f
}

func (f *filler) time(t time.Time) *filler {
	c := &f.cells[f.next]
	c.Given, c.T = !t.IsZero(), t
	f.next++
	return f
}

func (f *filler) flag(b bool) *filler { return f.put(FlagValue(b)) }
