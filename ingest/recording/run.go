package recording

import (
	"bufio"
	"cmp"
	"container/heap"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"

	"dewline"
)

// reading is a sample whose system is a number, so that many fit in memory.
type reading struct {
	at     dewline.Millis
	value  float64
	system uint32
	point  dewline.Point
}

// order is the one order that everything is given in. The systems' ranks follow their names, since
// their numbers depend on which file was read first.
type order struct{ rank []uint32 }

func (o order) compare(a, b reading) int {
	switch {
	case a.at != b.at:
		return cmp.Compare(a.at, b.at)
	case a.system != b.system:
		return cmp.Compare(o.rank[a.system], o.rank[b.system])
	case a.point != b.point:
		return cmp.Compare(a.point, b.point)
	default:
		return cmp.Compare(a.value, b.value)
	}
}

// same says whether a and b are of the same system, point and time.
func same(a, b reading) bool { return a.at == b.at && a.system == b.system && a.point == b.point }

// runs sorts readings of any number in the memory of a few: full runs go to a temporary file.
type runs struct {
	size    int
	dir     string
	current []reading
	file    *os.File
	end     int64 // of what is in file
	starts  []int64
}

// full says that spill is due before the next reading.
func (s *runs) full() bool { return len(s.current) >= s.size }

// add takes one reading.
func (s *runs) add(r reading) { s.current = append(s.current, r) }

// spill moves the current run to the file.
func (s *runs) spill(o order) error {
	if err := s.write(o); err != nil {
		return fmt.Errorf("keep readings in a temporary file: %w", err)
	}
	return nil
}

// write writes of each reading the time since the one before it, the system, the point and the value.
func (s *runs) write(o order) error {
	if s.file == nil {
		f, err := os.CreateTemp(s.dir, "dewline-recording-*")
		if err != nil {
			return err
		}
		s.file = f
		_ = os.Remove(f.Name()) // where that works, nothing is left behind however this ends
	}
	slices.SortFunc(s.current, o.compare)
	w := bufio.NewWriterSize(s.file, 64<<10)
	var buf []byte
	var before dewline.Millis
	s.starts = append(s.starts, s.end)
	for _, r := range s.current {
		buf = binary.AppendUvarint(buf[:0], uint64(r.at-before))
		buf = binary.AppendUvarint(buf, uint64(r.system))
		buf = append(buf, byte(r.point))
		buf = binary.LittleEndian.AppendUint64(buf, math.Float64bits(r.value))
		before = r.at
		s.end += int64(len(buf))
		if _, err := w.Write(buf); err != nil {
			return err
		}
	}
	s.current = s.current[:0]
	return w.Flush()
}

// merge returns all readings in order o.
func (s *runs) merge(o order) (*merger, error) {
	slices.SortFunc(s.current, o.compare)
	m := &merger{order: o, cursors: []*cursor{{memory: s.current}}}
	for i, start := range s.starts {
		end := s.end
		if i+1 < len(s.starts) {
			end = s.starts[i+1]
		}
		section := io.NewSectionReader(s.file, start, end-start)
		m.cursors = append(m.cursors, &cursor{file: bufio.NewReaderSize(section, 32<<10)})
	}
	var left []*cursor
	for _, c := range m.cursors {
		if err := c.advance(); err == nil {
			left = append(left, c)
		} else if err != io.EOF {
			return nil, err
		}
	}
	m.cursors = left
	heap.Init(m)
	return m, nil
}

func (s *runs) close() error {
	if s.file == nil {
		return nil
	}
	err := s.file.Close()
	if gone := os.Remove(s.file.Name()); gone != nil && !errors.Is(gone, os.ErrNotExist) {
		err = errors.Join(err, gone)
	}
	s.file = nil
	return err
}

// cursor is a place in one run, in memory or in the file.
type cursor struct {
	head   reading
	memory []reading
	file   *bufio.Reader
}

// advance moves the next reading of the run to head, or returns io.EOF.
func (c *cursor) advance() error {
	if c.file == nil {
		if len(c.memory) == 0 {
			return io.EOF
		}
		c.head, c.memory = c.memory[0], c.memory[1:]
		return nil
	}
	since, err := binary.ReadUvarint(c.file)
	if err != nil {
		return err
	}
	system, err := binary.ReadUvarint(c.file)
	if err != nil {
		return fmt.Errorf("temporary file: %w", err)
	}
	var rest [9]byte
	if _, err := io.ReadFull(c.file, rest[:]); err != nil {
		return fmt.Errorf("temporary file: %w", err)
	}
	c.head.at += dewline.Millis(since)
	c.head.system = uint32(system)
	c.head.point = dewline.Point(rest[0])
	c.head.value = math.Float64frombits(binary.LittleEndian.Uint64(rest[1:]))
	return nil
}

// merger is a heap of cursors, the one with the first reading on top.
type merger struct {
	order
	cursors []*cursor
}

// Len, Less, Swap, Push and Pop are for the heap.
func (m *merger) Len() int           { return len(m.cursors) }
func (m *merger) Less(i, j int) bool { return m.compare(m.cursors[i].head, m.cursors[j].head) < 0 }
func (m *merger) Swap(i, j int)      { m.cursors[i], m.cursors[j] = m.cursors[j], m.cursors[i] }
func (m *merger) Push(c any)         { m.cursors = append(m.cursors, c.(*cursor)) }
func (m *merger) Pop() any {
	last := m.cursors[len(m.cursors)-1]
	m.cursors = m.cursors[:len(m.cursors)-1]
	return last
}

// next returns the next reading, or io.EOF.
func (m *merger) next() (reading, error) {
	if len(m.cursors) == 0 {
		return reading{}, io.EOF
	}
	first := m.cursors[0]
	r := first.head
	switch err := first.advance(); {
	case err == io.EOF:
		heap.Pop(m)
	case err != nil:
		return r, err
	case len(m.cursors) > 1:
		heap.Fix(m, 0)
	}
	return r, nil
}
