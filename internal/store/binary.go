package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
)

// The statements that take what a batch brings are sent with parameters written
// here, in PostgreSQL's binary formats (src/backend/utils/adt: array_recv,
// record_recv and each type's own): the driver encodes arrays element by element
// through its type map, which took as long as everything else it does.

// Object ids of types, as fixed in PostgreSQL's catalogue (pg_type.dat).
const (
	oidBool  = 16
	oidBytes = 17
	oidInt8  = 20
	oidInt2  = 21
	oidText  = 25
	oidFloat = 701
	oidTime  = 1184 // timestamptz
	oidUUID  = 2950
	oidJSON  = 3802 // jsonb
)

// epoch is the zero of timestamptz, 2000-01-01, in microseconds of Unix time.
const epoch = 946_684_800_000_000

// array is a parameter of one dimension; each method appends an element.
type array []byte

// newArray begins an array of n elements which take about size bytes with their lengths.
func newArray(element uint32, n, size int) array {
	a := make(array, 0, 20+size)
	a.begin(element, n)
	return a
}

// begin writes what comes before the elements.
func (a *array) begin(element uint32, n int) {
	if n == 0 { // no dimensions
		a.uint32(0)
		a.uint32(0)
		a.uint32(element)
		return
	}
	for _, x := range [...]uint32{1, 1, element, uint32(n), 1} { // dimensions, may hold NULL, type, length, first index
		a.uint32(x)
	}
}

func (a *array) uint32(x uint32) { *a = binary.BigEndian.AppendUint32(*a, x) }
func (a *array) uint64(x uint64) { *a = binary.BigEndian.AppendUint64(*a, x) }

func (a *array) null() { a.uint32(math.MaxUint32) }

func (a *array) text(s string) {
	a.uint32(uint32(len(s)))
	*a = append(*a, s...)
}

// bytes appends bytes, text or a uuid; nil is NULL.
func (a *array) bytes(b []byte) {
	if b == nil {
		a.null()
		return
	}
	a.uint32(uint32(len(b)))
	*a = append(*a, b...)
}

func (a *array) int8(x int64) {
	a.uint32(8)
	a.uint64(uint64(x))
}

func (a *array) int2(x int16) {
	a.uint32(2)
	*a = binary.BigEndian.AppendUint16(*a, uint16(x))
}

func (a *array) bool(x bool) {
	a.uint32(1)
	if x {
		*a = append(*a, 1)
	} else {
		*a = append(*a, 0)
	}
}

// float appends a number; what is not one is NULL.
func (a *array) float(x float64) {
	if math.IsNaN(x) {
		a.null()
		return
	}
	a.uint32(8)
	a.uint64(math.Float64bits(x))
}

// time appends an instant; the zero time is NULL.
func (a *array) time(t time.Time) {
	if t.IsZero() {
		a.null()
		return
	}
	a.int8(t.UnixMicro() - epoch)
}

// json appends a jsonb, whose binary format is version 1 and the text; empty is NULL.
func (a *array) json(text []byte) {
	if len(text) == 0 {
		a.null()
		return
	}
	a.uint32(uint32(1 + len(text)))
	*a = append(append(*a, 1), text...)
}

// record begins a record of so many fields and returns what end needs. Each field
// is its type and then an element.
func (a *array) record(fields uint32) (begun int) {
	a.uint32(0) // its length, when it is known
	begun = len(*a)
	a.uint32(fields)
	return begun
}

func (a *array) field(element uint32) *array {
	a.uint32(element)
	return a
}

func (a *array) end(begun int) {
	binary.BigEndian.PutUint32((*a)[begun-4:], uint32(len(*a)-begun))
}

// exec runs a statement with parameters that are encoded already.
func (w *WorkerTx) exec(ctx context.Context, sql string, parameters ...[]byte) (pgconn.CommandTag, error) {
	conn := w.tx.Conn()
	statement, err := conn.Prepare(ctx, sql, sql) // once a connection
	if err != nil {
		return pgconn.CommandTag{}, err
	}
	if len(parameters) != len(statement.ParamOIDs) {
		return pgconn.CommandTag{}, fmt.Errorf("%d parameters for %d places", len(parameters), len(statement.ParamOIDs))
	}
	formats := make([]int16, len(parameters))
	for i := range formats {
		formats[i] = 1 // binary
	}
	return conn.PgConn().ExecPrepared(ctx, statement.Name, parameters, formats, nil).Close()
}
