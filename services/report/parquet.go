package report

import (
	"io"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// parquetRowGroup bounds memory: a row group is held until it is full.
const parquetRowGroup = 64 << 10

// parquetEncoder writes typed optional columns, zstd-compressed, with each
// column's unit and meaning in the file's key-value metadata.
type parquetEncoder struct {
	w     *parquet.Writer
	t     *Table
	place []int // column index in the file of each column of the table: a schema sorts its fields by name
	row   parquet.Row
	rows  [1]parquet.Row
}

func newParquet(w io.Writer, t *Table, about About) (*parquetEncoder, error) {
	// One codec for all columns: each has encoders with a window of megabytes.
	codec := &zstd.Codec{}
	group := parquet.Group{}
	for _, c := range t.Columns {
		group[c.Name] = parquet.Compressed(parquet.Optional(parquetNode(c.Kind)), codec)
	}
	schema := parquet.NewSchema(t.Name, group)
	options := []parquet.WriterOption{
		schema,
		parquet.MaxRowsPerRowGroup(parquetRowGroup),
		parquet.CreatedBy(about.Software, "", ""),
		parquet.KeyValueMetadata("title", t.Title),
		parquet.KeyValueMetadata("query", about.Query),
		parquet.KeyValueMetadata("as_of", about.AsOf.UTC().Format(time.RFC3339Nano)),
		parquet.KeyValueMetadata("software", about.Software),
		parquet.KeyValueMetadata("caution", Caution),
	}
	e := &parquetEncoder{t: t, place: make([]int, len(t.Columns)), row: make(parquet.Row, len(t.Columns))}
	for i, c := range t.Columns {
		leaf, _ := schema.Lookup(c.Name)
		e.place[i] = leaf.ColumnIndex
		options = append(options, parquet.KeyValueMetadata("help."+c.Name, c.Help))
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit."+c.Name, c.Unit))
		}
	}
	e.w = parquet.NewWriter(w, options...)
	return e, nil
}

func parquetNode(kind Kind) parquet.Node {
	switch kind {
	case Number:
		return parquet.Leaf(parquet.DoubleType)
	case Integer:
		return parquet.Int(64)
	case Time:
		return parquet.Timestamp(parquet.Microsecond)
	case Date:
		return parquet.Date()
	case Flag:
		return parquet.Leaf(parquet.BooleanType)
	}
	return parquet.Encoded(parquet.String(), &parquet.RLEDictionary)
}

func (e *parquetEncoder) Row(cells []Value) error {
	if err := checkWidth(e.t, cells); err != nil {
		return err
	}
	for i := range cells {
		at := e.place[i]
		e.row[at] = parquetValue(e.t.Columns[i].Kind, &cells[i]).Level(0, definition(&cells[i]), at)
	}
	e.rows[0] = e.row
	_, err := e.w.WriteRows(e.rows[:])
	return err
}

func definition(v *Value) int {
	if v.Given {
		return 1
	}
	return 0
}

func parquetValue(kind Kind, v *Value) parquet.Value {
	if !v.Given {
		return parquet.NullValue()
	}
	switch kind {
	case Number:
		return parquet.DoubleValue(v.F)
	case Integer:
		return parquet.Int64Value(v.I)
	case Time:
		return parquet.Int64Value(v.T.UnixMicro())
	case Date:
		return parquet.Int32Value(int32(v.T.Unix() / 86400))
	case Flag:
		return parquet.BooleanValue(v.I != 0)
	}
	return parquet.ByteArrayValue([]byte(v.S))
}

func (e *parquetEncoder) Close() error { return e.w.Close() }
