// Package flatparquet writes one flat table as an Apache Parquet file: plain
// encoding, one Zstandard page per column and row group, constant memory. The
// structures of a file and their coding are parquet-go's. Its general writer
// and reader are not used outside tests: with every codec and schema they would
// add 6 MB to a binary that promises to stay small in memory.
//
// Format: https://parquet.apache.org/docs/file-format/ and parquet.thrift of
// apache/parquet-format 2.11.
package flatparquet

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"github.com/klauspost/compress/zstd"
	"github.com/parquet-go/parquet-go/deprecated"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"
)

const magic = "PAR1"

// groupRows is how many rows are held before they are written.
const groupRows = 50_000

// window is how far back compression looks. A group's column is not much longer,
// and memory grows with it.
const window = 256 << 10

// A Writer writes rows: each column is given one value, then EndRow ends the
// row. Close writes the footer, without which the file is none.
type Writer struct {
	out     io.Writer
	at      int64 // bytes written
	zip     *zstd.Encoder
	columns []*Column
	rows    int // in the open group
	meta    format.FileMetaData
}

// New begins a file of the given columns.
func New(w io.Writer, columns ...*Column) (*Writer, error) {
	zip, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(window))
	if err != nil {
		return nil, fmt.Errorf("prepare compression: %w", err)
	}
	f := &Writer{out: w, zip: zip, columns: columns}
	f.meta = format.FileMetaData{Version: 1, CreatedBy: "dewline"}
	root := format.SchemaElement{Name: "row", NumChildren: thrift.New(int32(len(columns)))}
	f.meta.Schema = append(f.meta.Schema, root)
	for _, c := range columns {
		f.meta.Schema = append(f.meta.Schema, c.schema)
	}
	return f, f.write([]byte(magic))
}

// EndRow ends a row. It is an error if a column has no value or two.
func (f *Writer) EndRow() error {
	f.rows++
	for _, c := range f.columns {
		if c.rows != f.rows {
			return fmt.Errorf("column %s has %d values in %d rows", c.schema.Name, c.rows, f.rows)
		}
	}
	if f.rows < groupRows {
		return nil
	}
	return f.endGroup()
}

// Close ends the file; it does not close what is below.
func (f *Writer) Close() error {
	defer f.zip.Close()
	if err := f.endGroup(); err != nil {
		return err
	}
	footer, err := thrift.Marshal(new(thrift.CompactProtocol), &f.meta)
	if err != nil {
		return fmt.Errorf("encode the footer: %w", err)
	}
	footer = binary.LittleEndian.AppendUint32(footer, uint32(len(footer)))
	return f.write(append(footer, magic...))
}

// endGroup writes the rows that are held, each column as a page.
func (f *Writer) endGroup() error {
	if f.rows == 0 {
		return nil
	}
	g := format.RowGroup{NumRows: int64(f.rows), FileOffset: f.at, Ordinal: int16(len(f.meta.RowGroups))}
	for _, c := range f.columns {
		m, err := f.writePage(c)
		if err != nil {
			return fmt.Errorf("column %s: %w", c.schema.Name, err)
		}
		g.Columns = append(g.Columns, format.ColumnChunk{MetaData: m})
		g.TotalByteSize += m.TotalUncompressedSize
		g.TotalCompressedSize += m.TotalCompressedSize
		c.clear()
	}
	f.meta.RowGroups = append(f.meta.RowGroups, g)
	f.meta.NumRows += int64(f.rows)
	f.rows = 0
	return nil
}

// writePage writes what a column holds as its only page of the group.
func (f *Writer) writePage(c *Column) (format.ColumnMetaData, error) {
	plain := c.page()
	packed := f.zip.EncodeAll(plain, nil)
	header, err := thrift.Marshal(new(thrift.CompactProtocol), &format.PageHeader{
		Type: format.DataPage, UncompressedPageSize: int32(len(plain)), CompressedPageSize: int32(len(packed)),
		DataPageHeader: thrift.New(format.DataPageHeader{
			NumValues: int32(c.rows), Encoding: format.Plain,
			DefinitionLevelEncoding: format.RLE, RepetitionLevelEncoding: format.RLE,
		}),
	})
	if err != nil {
		return format.ColumnMetaData{}, fmt.Errorf("encode the page's header: %w", err)
	}
	m := format.ColumnMetaData{
		Type: c.schema.Type.V, Encoding: []format.Encoding{format.Plain, format.RLE}, PathInSchema: []string{c.schema.Name},
		Codec: format.Zstd, NumValues: int64(c.rows), DataPageOffset: f.at,
		TotalUncompressedSize: int64(len(header) + len(plain)), TotalCompressedSize: int64(len(header) + len(packed)),
	}
	return m, f.write(append(header, packed...))
}

func (f *Writer) write(b []byte) error {
	n, err := f.out.Write(b)
	f.at += int64(n)
	return err
}

// A Column gathers the values of one column.
type Column struct {
	schema  format.SchemaElement
	rows    int
	values  []byte // plain encoding, but for booleans
	present bits   // of an optional column: which rows have a value
	truth   bits   // of a boolean column
}

func newColumn(name string, t format.Type, of format.LogicalTypeValue) *Column {
	return &Column{schema: format.SchemaElement{
		Name: name, Type: thrift.New(t), RepetitionType: thrift.New(format.Required), LogicalType: format.LogicalType{Value: of},
	}}
}

// A TimeColumn holds instants in UTC, to the millisecond.
type TimeColumn struct{ *Column }

// Time makes a column of instants.
func Time(name string) TimeColumn {
	unit := format.TimeUnit{Value: new(format.MilliSeconds)}
	c := newColumn(name, format.Int64, &format.TimestampType{IsAdjustedToUTC: true, Unit: unit})
	c.schema.ConvertedType = thrift.New(deprecated.TimestampMillis) // for readers from before 2017
	return TimeColumn{c}
}

// Add adds an instant, in milliseconds since 1970.
func (c TimeColumn) Add(ms int64) {
	c.values = binary.LittleEndian.AppendUint64(c.values, uint64(ms))
	c.rows++
}

// A TextColumn holds UTF-8.
type TextColumn struct{ *Column }

// Text makes a column of texts.
func Text(name string) TextColumn {
	c := newColumn(name, format.ByteArray, new(format.StringType))
	c.schema.ConvertedType = thrift.New(deprecated.UTF8)
	return TextColumn{c}
}

// Add adds a text.
func (c TextColumn) Add(s string) {
	c.values = binary.LittleEndian.AppendUint32(c.values, uint32(len(s)))
	c.values = append(c.values, s...)
	c.rows++
}

// A BoolColumn holds truth values.
type BoolColumn struct{ *Column }

// Bool makes a column of truth values.
func Bool(name string) BoolColumn {
	return BoolColumn{newColumn(name, format.Boolean, nil)}
}

// Add adds a truth value.
func (c BoolColumn) Add(v bool) {
	c.truth.add(c.rows, v)
	c.rows++
}

// A NumberColumn holds numbers, or null where there is none.
type NumberColumn struct{ *Column }

// Number makes a column of optional numbers.
func Number(name string) NumberColumn {
	c := newColumn(name, format.Double, nil)
	c.schema.RepetitionType = thrift.New(format.Optional)
	return NumberColumn{c}
}

// Add adds a number, or null.
func (c NumberColumn) Add(v float64, ok bool) {
	c.present.add(c.rows, ok)
	if ok {
		c.values = binary.LittleEndian.AppendUint64(c.values, math.Float64bits(v))
	}
	c.rows++
}

// page is the body of a data page: definition levels of an optional column as
// one bit-packed run with its length in front, then the values.
func (c *Column) page() []byte {
	if c.schema.RepetitionType.V != format.Optional {
		return append(c.values, c.truth...) // one of them is empty
	}
	run := binary.AppendUvarint(nil, uint64(len(c.present))<<1|1) // eight levels a byte
	run = append(run, c.present...)
	body := binary.LittleEndian.AppendUint32(nil, uint32(len(run)))
	return append(append(body, run...), c.values...)
}

func (c *Column) clear() {
	c.rows, c.values, c.present, c.truth = 0, c.values[:0], c.present[:0], c.truth[:0]
}

// bits is a row of bits, the lowest of each byte first.
type bits []byte

func (b *bits) add(i int, v bool) {
	if i%8 == 0 {
		*b = append(*b, 0)
	}
	if v {
		(*b)[i/8] |= 1 << (i % 8)
	}
}
