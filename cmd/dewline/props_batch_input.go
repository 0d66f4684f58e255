package main

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"strconv"
	"strings"
)

// batchChunk is how many rows go to a processor together: enough that handing them over costs
// nothing beside solving them.
const batchChunk = 128

// maxRecord bounds one row in bytes, so that a quote that is never closed cannot fill the memory.
const maxRecord = 1 << 20

// batchRows is a part of the input: records, or what is wrong with one that is no CSV.
type batchRows []batchRow

type batchRow struct {
	record []string
	err    error
}

// batchReader reads the input.
type batchReader struct {
	limit *limitedReader
	buf   *bufio.Reader
	csv   *csv.Reader
	err   error // of the stream; read after the last chunk
}

func newBatchReader(in io.Reader) *batchReader {
	limit := &limitedReader{r: in, left: maxRecord}
	buf := bufio.NewReaderSize(limit, 1<<16) // csv reads from it directly, as it is large enough
	r := &batchReader{limit: limit, buf: buf, csv: csv.NewReader(buf)}
	r.csv.FieldsPerRecord = -1 // a missing temperature is an empty one
	return r
}

// limitedReader fails after so many bytes without a record.
type limitedReader struct {
	r    io.Reader
	left int
}

var errLongRecord = fmt.Errorf("a row is longer than %d bytes: is a quote not closed?", maxRecord)

// Read reads from the input while the record may still be one.
func (l *limitedReader) Read(p []byte) (int, error) {
	if l.left <= 0 {
		return 0, errLongRecord
	}
	n, err := l.r.Read(p)
	l.left -= n
	return n, err
}

// batchColumns says where the input has its columns; temp is -1 where there is none.
type batchColumns struct {
	refrigerant, pressure, temp, width int
}

func (r *batchReader) header() (columns batchColumns, ignored []string, err error) {
	if mark, err := r.buf.Peek(3); err == nil && string(mark) == "\ufeff" { // as spreadsheets write it
		_, _ = r.buf.Discard(len(mark))
	}
	record, err := r.csv.Read()
	r.limit.left = maxRecord
	const expected = "expected a header refrigerant,pressure_pa,temp_k"
	switch {
	case errors.Is(err, io.EOF):
		return columns, nil, errors.New("no input: " + expected)
	case err != nil:
		return columns, nil, fmt.Errorf("%w: %s", err, expected)
	}
	columns = batchColumns{-1, -1, -1, len(record)}
	for i, name := range record {
		name = strings.TrimSpace(name)
		to := map[string]*int{"refrigerant": &columns.refrigerant, "pressure_pa": &columns.pressure, "temp_k": &columns.temp}[strings.ToLower(name)]
		switch {
		case to == nil && looksLikeOurs(name):
			return columns, nil, fmt.Errorf("column %q: %s; pressure is absolute in Pa, temperature in K", name, expected)
		case to == nil:
			ignored = append(ignored, strconv.Quote(name))
		case *to >= 0:
			return columns, nil, fmt.Errorf("column %q stands twice: %s", name, expected)
		default:
			*to = i
		}
	}
	if columns.refrigerant < 0 || columns.pressure < 0 {
		return columns, nil, fmt.Errorf("the header is %q: %s", strings.Join(record, ","), expected)
	}
	return columns, ignored, nil
}

// looksLikeOurs says whether a column that is not ours may be meant as one: temp_c ignored would
// give a saturated state and no word of it.
func looksLikeOurs(name string) bool {
	name = strings.ToLower(name)
	return strings.HasPrefix(name, "temp") || strings.HasPrefix(name, "press")
}

// chunks yields the rows in parts. A part ends early where the input has no more for now, so that a
// program which asks row by row is answered row by row.
func (r *batchReader) chunks() iter.Seq[batchRows] {
	return func(yield func(batchRows) bool) {
		var rows batchRows
		for {
			record, err := r.csv.Read()
			r.limit.left = maxRecord
			if _, malformed := errors.AsType[*csv.ParseError](err); err != nil && !malformed {
				if !errors.Is(err, io.EOF) {
					r.err = err
				}
				break
			}
			rows = append(rows, batchRow{record, err})
			if len(rows) == batchChunk || r.buf.Buffered() == 0 {
				if !yield(rows) {
					return
				}
				rows = nil
			}
		}
		if len(rows) > 0 {
			yield(rows)
		}
	}
}
