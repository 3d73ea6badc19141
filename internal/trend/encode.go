package trend

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"creepage/internal/insulation"
)

// encodingVersion is the first byte of a stored memory.
const encodingVersion = 7

// errShort says that a stored memory ends before it should.
var errShort = errors.New("stored vehicle memory is cut short or damaged")

// MarshalBinary writes the memory: a version byte, then the fields in order;
// whole numbers as varints, floats little-endian, strings and lists with their
// length before them. Written are the memory before the open day and that day's
// entries: what they come to is folded anew by Resume. What is read back goes on
// to the bit as this one would have.
func (v *Vehicle) MarshalBinary() ([]byte, error) {
	c := &coder{write: true, buf: make([]byte, 0, v.size())}
	v.code(c)
	return c.buf, nil
}

// MarshalClosed writes the memory as MarshalBinary does, the open day folded and
// closed: what is read back takes entries of later days alone.
func (v *Vehicle) MarshalClosed() ([]byte, error) {
	closed := Vehicle{id: v.id, version: v.version, open: v.open, closed: v.now}
	return closed.MarshalBinary()
}

// size guesses the encoded length, on the large side.
func (v *Vehicle) size() int { return 2048 + len(v.closed.groups)*1200 + len(v.day.readings)*256 }

// UnmarshalBinary reads what MarshalBinary or MarshalClosed wrote. Resume it
// before anything else is done with it.
func (v *Vehicle) UnmarshalBinary(data []byte) error {
	if len(data) == 0 || data[0] != encodingVersion {
		return fmt.Errorf("stored vehicle memory has an unknown version; this program reads %d", encodingVersion)
	}
	c := &coder{buf: data}
	var out Vehicle
	out.code(c)
	if c.bad || len(c.buf) != 0 {
		return errShort
	}
	out.stale = true
	*v = out
	return nil
}

// coder writes fields to a buffer or reads them from it, so that one list of
// fields serves both ways and cannot drift apart.
type coder struct {
	buf   []byte
	write bool
	bad   bool
}

func (c *coder) uint64(x *uint64) {
	if c.write {
		c.buf = binary.LittleEndian.AppendUint64(c.buf, *x)
		return
	}
	if len(c.buf) < 8 {
		c.bad = true
		*x = 0
		return
	}
	*x = binary.LittleEndian.Uint64(c.buf)
	c.buf = c.buf[8:]
}

func (c *coder) byte(x *uint8) {
	if c.write {
		c.buf = append(c.buf, *x)
		return
	}
	if len(c.buf) < 1 {
		c.bad = true
		*x = 0
		return
	}
	*x = c.buf[0]
	c.buf = c.buf[1:]
}

func (c *coder) float(x *float64) {
	u := math.Float64bits(*x)
	c.uint64(&u)
	if !c.write {
		*x = math.Float64frombits(u)
	}
}

func (c *coder) floats(x []float64) {
	for i := range x {
		c.float(&x[i])
	}
}

// integer codes any whole number.
func integer[T ~int | ~int8 | ~int32 | ~int64](c *coder, x *T) {
	if c.write {
		c.buf = binary.AppendVarint(c.buf, int64(*x))
		return
	}
	i, n := binary.Varint(c.buf)
	if n <= 0 || int64(T(i)) != i {
		c.bad = true
		*x = 0
		return
	}
	*x, c.buf = T(i), c.buf[n:]
}

// small codes a domain word.
func small[T ~uint8](c *coder, x *T) {
	u := uint8(*x)
	c.byte(&u)
	*x = T(u)
}

func (c *coder) bool(x *bool) {
	var u uint8
	if *x {
		u = 1
	}
	c.byte(&u)
	*x = u == 1
}

func (c *coder) string(x *string) {
	n := len(*x)
	integer(c, &n)
	if c.write {
		c.buf = append(c.buf, *x...)
		return
	}
	if n < 0 || n > len(c.buf) {
		c.bad = true
		return
	}
	*x = string(c.buf[:n])
	c.buf = c.buf[n:]
}

// again codes a string that is often the one before.
func (c *coder) again(x *string, before string) {
	same := *x == before
	c.bool(&same)
	switch {
	case !same:
		c.string(x)
	case !c.write:
		*x = before
	}
}

// time codes an instant, UTC; the zero time stays zero.
func (c *coder) time(x *time.Time) {
	var s, n int64
	if c.write && !x.IsZero() {
		s, n = x.Unix(), int64(x.Nanosecond())+1
	}
	integer(c, &s)
	integer(c, &n)
	if !c.write {
		*x = time.Time{}
		if n > 0 {
			*x = time.Unix(s, n-1).UTC()
		}
	}
}

// list codes a slice, element by element.
func list[T any](c *coder, x *[]T, each func(*T)) {
	n := len(*x)
	integer(c, &n)
	if !c.write {
		if n < 0 || n > len(c.buf) { // every element takes a byte or more
			c.bad = true
			return
		}
		*x = make([]T, n)
	}
	for i := range *x {
		if c.bad {
			return
		}
		each(&(*x)[i])
	}
}

func (v *Vehicle) code(c *coder) {
	version := uint8(encodingVersion)
	c.byte(&version)
	c.string(&v.id)
	c.string(&v.version)
	integer(c, &v.open)
	v.day.code(c)
	v.closed.code(c)
}

func (o *openDay) code(c *coder) {
	var before insulation.Reading
	list(c, &o.readings, func(r *insulation.Reading) {
		codeReading(c, r, &before)
		before = *r
	})
	list(c, &o.events, func(e *insulation.Event) {
		c.string(&e.Vehicle)
		small(c, &e.Component)
		small(c, &e.Kind)
		c.time(&e.OccurredAt)
	})
	list(c, &o.codes, func(k *insulation.Code) {
		c.string(&k.Vehicle)
		c.string(&k.Code)
		c.time(&k.SetAt)
	})
	list(c, &o.garbage, func(d *Doubt) { codeDoubt(c, d) })
	integer(c, &o.dropped)
	for q := range o.monitor {
		d := &o.monitor[q]
		integer(c, &d.rows)
		c.bool(&d.coarse)
		list(c, &d.bins, func(b *monitorBin) {
			integer(c, &b.key)
			small(c, &b.relation)
			integer(c, &b.count)
			integer(c, &b.level)
		})
		for _, s := range [...]*intSum{&d.celsius, &d.rh} {
			integer(c, &s.sum)
			integer(c, &s.n)
		}
		c.time(&d.first)
		c.string(&d.firstID)
	}
}

// codeReading codes what the trend uses of a reading.
func codeReading(c *coder, r, before *insulation.Reading) {
	c.string(&r.ID)
	c.again(&r.Shop, before.Shop)
	c.again(&r.Visit, before.Visit)
	c.again(&r.Meter, before.Meter)
	c.time(&r.MeasuredAt)
	small(c, &r.Method)
	small(c, &r.Component)
	small(c, &r.Conductor)
	small(c, &r.Reference)
	small(c, &r.Quantity)
	small(c, &r.Relation)
	for _, x := range [...]*float64{&r.Ohms, &r.TestVolts, &r.HoldSeconds, &r.AirCelsius, &r.HumidityPct, &r.PartCelsius, &r.RangeOhms} {
		c.float(x)
	}
}

func codeDoubt(c *coder, d *Doubt) {
	c.string(&d.ReadingID)
	c.time(&d.MeasuredAt)
	small(c, &d.Group.Component)
	small(c, &d.Group.Conductor)
	c.float(&d.Ohms)
	c.bool(&d.SetAside)
	c.float(&d.Weight)
	small(c, &d.Cause)
	c.bool(&d.BorneOut)
	c.string(&d.Reason)
}

func (m *memory) code(c *coder) {
	integer(c, &m.day)
	list(c, &m.groups, func(g *group) { g.code(c) })
	c.string(&m.platform)
	integer(c, &m.points)
	c.float(&m.rest.level)
	c.float(&m.rest.variance)
	integer(c, &m.rest.day)
	m.shop.code(c)
	m.road.code(c)
	for q := range m.tops {
		m.tops[q].code(c)
	}
	list(c, &m.meters, func(t *meterTop) {
		c.string(&t.name)
		t.top.code(c)
	})
	integer(c, &m.codeDay)
	integer(c, &m.defectDay)
	integer(c, &m.boundWeek)
	integer(c, &m.aside)
	list(c, &m.doubts, func(d *Doubt) { codeDoubt(c, d) })
}

func (a *climate) code(c *coder) {
	c.floats(a.xx[:])
	c.floats(a.xy[:])
	c.floats(a.coef[:])
	for _, x := range [...]*float64{&a.n, &a.residual, &a.rhN, &a.rhSum, &a.rhSum2} {
		c.float(x)
	}
	c.bool(&a.solved)
}

func (k *ceiling) code(c *coder) {
	c.float(&k.rows)
	c.float(&k.found)
	for i := range k.peaks {
		c.float(&k.peaks[i].level)
		c.float(&k.peaks[i].count)
		c.float(&k.peaks[i].over)
	}
}

func (g *group) code(c *coder) {
	small(c, &g.key.Component)
	small(c, &g.key.Conductor)
	for _, d := range [...]*day{&g.day, &g.last, &g.steadyDay, &g.sinceDay, &g.slipDay, &g.slipLast, &g.dips.day, &g.wander.day} {
		integer(c, d)
	}
	integer(c, &g.readings)
	integer(c, &g.under)
	c.bool(&g.underBound)
	integer(c, &g.slipBy)
	integer(c, &g.dips.week)
	integer(c, &g.dips.count)
	for _, x := range [...]*float64{&g.ratio, &g.dips.high, &g.dips.trough, &g.dips.last, &g.dips.low,
		&g.dips.near.sum, &g.dips.near.weight, &g.dips.far.sum, &g.dips.far.weight, &g.wander.lean, &g.wander.plain, &g.wander.variance, &g.steady.Mean, &g.steady.SD, &g.from.Mean, &g.from.SD, &g.highest, &g.underOhms} {
		c.float(x)
	}
	for k := range g.bank {
		x := &g.bank[k]
		c.float(&x.w)
		c.floats(x.Mean[:3])
		for _, i := range [...]int{covLL, covLU, covLB, covUU, covUB, covBB} {
			c.float(&x.Cov[i])
		}
	}
}
