package recording

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"dewline/ingest/senml"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

// source is one file of a recording.
type source struct {
	name string
	size int64 // as stored
	open func() (io.ReadCloser, error)
}

// suffixes are the names that recordings have.
var suffixes = []string{".ndjson", ".ndjson.gz", ".ndjson.zst"}

func isRecording(name string) bool {
	return slices.ContainsFunc(suffixes, func(s string) bool { return strings.HasSuffix(name, s) })
}

// find returns the files that paths name, those of folders included, in the order of their names.
func find(paths []string) ([]source, error) {
	if len(paths) == 0 {
		return nil, errors.New("name at least one recording: a file or a folder")
	}
	var sources []source
	for _, path := range paths {
		before := len(sources)
		err := filepath.WalkDir(path, func(name string, entry fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := os.Stat(name) // follows links
			if err != nil || info.IsDir() || (!isRecording(name) && name != path) {
				return err
			}
			if !isRecording(name) {
				return fmt.Errorf("%s: not a recording; their names end in %s", name, strings.Join(suffixes, ", "))
			}
			sources = append(sources, source{name, info.Size(), func() (io.ReadCloser, error) { return os.Open(name) }})
			return nil
		})
		if err != nil {
			return nil, err
		}
		if len(sources) == before {
			return nil, fmt.Errorf("%s: no recordings in this folder; their names end in %s", path, strings.Join(suffixes, ", "))
		}
	}
	slices.SortStableFunc(sources, func(a, b source) int { return strings.Compare(a.name, b.name) })
	return sources, nil
}

// maxWindow bounds what a compressed file can make its reader hold (zstd --long=27).
const maxWindow = 128 << 20

// decompress returns what r holds when it is stored under name.
func decompress(name string, r io.Reader) (io.Reader, func(), error) {
	switch {
	case strings.HasSuffix(name, ".gz"):
		z, err := gzip.NewReader(r)
		return z, func() {}, err
	case strings.HasSuffix(name, ".zst"):
		z, err := zstd.NewReader(r, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(maxWindow))
		if err != nil {
			return nil, nil, err
		}
		return z, z.Close, nil
	default:
		return r, func() {}, nil
	}
}

// counter counts the bytes that pass, and ends with err when they are more than limit.
type counter struct {
	r     io.Reader
	n     int64
	limit int64
	err   error
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if c.n += int64(n); c.limit > 0 && c.n > c.limit {
		return 0, c.err
	}
	return n, err
}

// maxLine is the longest line: a pack and the end of the line.
const maxLine = senml.MaxPackBytes + 2

// eachLine calls take with each line of s that is not blank, and its number. Errors name the place.
func (s source) eachLine(ctx context.Context, o Options, progress func(stored int64), take func(line []byte, number int) error) error {
	f, err := s.open()
	if err != nil {
		return err
	}
	defer f.Close()
	stored := &counter{r: f}
	plain, done, err := decompress(s.name, stored)
	if err != nil {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	defer done()
	limited := &counter{r: plain, limit: o.MaxFileBytes,
		err: fmt.Errorf("more than %d bytes when decompressed; split the file or raise the limit", o.MaxFileBytes)}
	lines := lineReader{r: bufio.NewReaderSize(limited, 64<<10)}
	for number := 1; ; number++ {
		line, err := lines.next()
		if err == io.EOF {
			return nil
		}
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return fmt.Errorf("%s:%d: %w", s.name, number, err)
		}
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		if err := take(line, number); err != nil {
			return fmt.Errorf("%s:%d: %w", s.name, number, err)
		}
		if progress != nil && number%256 == 0 {
			progress(stored.n)
		}
	}
}

// lineReader reads lines of at most maxLine bytes.
type lineReader struct {
	r    *bufio.Reader
	long []byte // a line that is longer than r's buffer
}

// next returns the next line; the last one may lack its end. The line is good until the next call.
func (l *lineReader) next() ([]byte, error) {
	l.long = l.long[:0]
	for {
		part, err := l.r.ReadSlice('\n')
		if err == nil && len(l.long) == 0 {
			return part, nil
		}
		if l.long = append(l.long, part...); len(l.long) > maxLine {
			return nil, fmt.Errorf("a line of more than %d bytes; write fewer records a line", senml.MaxPackBytes)
		}
		switch {
		case err == nil, err == io.EOF && len(l.long) > 0:
			return l.long, nil
		case err != bufio.ErrBufferFull:
			return nil, err
		}
	}
}
