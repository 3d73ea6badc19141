package report

import (
	"io"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/parquet-go/parquet-go"
	parquetzstd "github.com/parquet-go/parquet-go/compress/zstd"
)

const (
	// parquetRowGroup bounds memory: a row group is held until it is full.
	parquetRowGroup = 64 << 10
	// parquetPage is what each column holds before it is encoded, and how far back
	// the compression looks.
	parquetPage = 64 << 10
	// parquetPiece is the size of the pieces in which a column's encoded pages wait
	// for the end of their row group: most columns need less than one of them.
	parquetPiece = 16 << 10
	// parquetBatch is how many rows go to the columns together: handed over one
	// by one they cost twice the time.
	parquetBatch = 512
	// parquetDictionary is from how many bytes of different texts on a column goes
	// on without its dictionary, which for identities is the longer form.
	parquetDictionary = 128 << 10
)

// parquetEncoder writes typed optional columns, zstd-compressed, with each
// column's unit and meaning in the file's key-value metadata.
type parquetEncoder struct {
	w       *parquet.Writer
	t       *Table
	columns []*parquet.ColumnWriter // in the order of the table: a schema sorts its fields by name
	place   []int                   // their indexes in the file
	values  [][]parquet.Value       // the batch, by column of the table
	text    []byte                  // its texts
	rows    int                     // in the row group
}

func newParquet(w io.Writer, t *Table, about About) (*parquetEncoder, error) {
	codec, err := newWindowed()
	if err != nil {
		return nil, err
	}
	group := parquet.Group{}
	for _, c := range t.Columns {
		group[c.Name] = parquet.Compressed(parquet.Optional(parquetNode(c.Kind)), codec)
	}
	schema := parquet.NewSchema(t.Name, group)
	options := []parquet.WriterOption{
		schema,
		parquet.PageBufferSize(parquetPage),
		parquet.ColumnPageBuffers(parquet.NewChunkBufferPool(parquetPiece)),
		parquet.DictionaryMaxBytes(parquetDictionary),
		parquet.CreatedBy(about.Software, "", ""),
		parquet.KeyValueMetadata("title", t.Title),
		parquet.KeyValueMetadata("query", about.Query),
		parquet.KeyValueMetadata("as_of", about.AsOf.UTC().Format(time.RFC3339Nano)),
		parquet.KeyValueMetadata("software", about.Software),
		parquet.KeyValueMetadata("caution", Caution),
	}
	for _, c := range t.Columns {
		options = append(options, parquet.KeyValueMetadata("help."+c.Name, c.Help))
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit."+c.Name, c.Unit))
		}
	}
	e := &parquetEncoder{w: parquet.NewWriter(w, options...), t: t}
	columns := e.w.ColumnWriters()
	for _, c := range t.Columns {
		leaf, _ := schema.Lookup(c.Name)
		e.place = append(e.place, leaf.ColumnIndex)
		e.columns = append(e.columns, columns[leaf.ColumnIndex])
		e.values = append(e.values, make([]parquet.Value, 0, parquetBatch))
	}
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
		e.values[i] = append(e.values[i], e.value(e.t.Columns[i].Kind, &cells[i]).Level(0, definition(&cells[i]), e.place[i]))
	}
	if e.rows++; e.rows == parquetRowGroup {
		return e.endGroup()
	}
	if e.rows%parquetBatch == 0 {
		return e.hand()
	}
	return nil
}

// hand hands the batch to the columns.
func (e *parquetEncoder) hand() error {
	for i, c := range e.columns {
		if _, err := c.WriteRowValues(e.values[i]); err != nil {
			return err
		}
		e.values[i] = e.values[i][:0]
	}
	e.text = e.text[:0]
	return nil
}

// endGroup writes the row group.
func (e *parquetEncoder) endGroup() error {
	if err := e.hand(); err != nil {
		return err
	}
	e.rows = 0
	return e.w.Flush()
}

func definition(v *Value) int {
	if v.Given {
		return 1
	}
	return 0
}

func (e *parquetEncoder) value(kind Kind, v *Value) parquet.Value {
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
	from := len(e.text)
	e.text = append(e.text, v.S...)
	return parquet.ByteArrayValue(e.text[from:])
}

func (e *parquetEncoder) Close() error {
	if err := e.hand(); err != nil {
		return err
	}
	return e.w.Close()
}

// windowed is zstd with one encoder of a small window: the library's own keeps
// a window of 8 MB in each of several.
type windowed struct {
	parquetzstd.Codec

	encoder *zstd.Encoder
}

func newWindowed() (*windowed, error) {
	encoder, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithWindowSize(parquetPage),
		zstd.WithLowerEncoderMem(true), zstd.WithZeroFrames(true), zstd.WithEncoderCRC(false))
	return &windowed{encoder: encoder}, err
}

// Encode compresses a page.
func (c *windowed) Encode(dst, src []byte) ([]byte, error) {
	return c.encoder.EncodeAll(src, dst[:0]), nil
}
