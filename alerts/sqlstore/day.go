package sqlstore

import (
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"math"
	"math/bits"
)

// day is the roll-ups of one series on one UTC day.
type day struct {
	have [slotsADay]bool
	cell [slotsADay]cell
}

// cells returns what is there, oldest first, by its slot of the day.
func (d *day) cells() iter.Seq2[int64, cell] {
	return func(yield func(int64, cell) bool) {
		for i, have := range d.have {
			if have && !yield(int64(i), d.cell[i]) {
				return
			}
		}
	}
}

// A packed day is, in this order:
//
//	1 byte    version of the format, 1
//	12 bytes  a bit for each slot that is there, lowest bit of the first byte first
//	1 byte    decimals: how many decimals all values have, or noDecimals
//	          then for each slot that is there:
//	varints   mean less the mean before, mean less low, high less mean, each times 10^decimals
//	  or      mean, low, high as 8 bytes each, little-endian, where there are noDecimals
//	varint    count less the count before
//
// Varints are zigzag. Packing loses nothing: values are written as decimals only if they come back
// to the last bit. Roll-ups that were rounded to what their sensors can know take about 7 bytes
// each that way, others 25.
const (
	dayVersion  = 1
	dayHeader   = 1 + slotsADay/8 + 1
	maxDecimals = 6
	noDecimals  = 0xff
	exactEnd    = 1 << 53 // integers below are exact in a float64
)

var powersOf10 = [maxDecimals + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6}

var errDay = errors.New("it is damaged")

func dayError(id int64, err error) error {
	return fmt.Errorf("the packed roll-ups of series %d on day %d since 1970: %w: restore a backup", id&seriesMask, id>>seriesBits, err)
}

// appendPacked appends the packed day to dst.
func (d *day) appendPacked(dst []byte) []byte {
	var there [slotsADay / 8]byte
	for i := range d.cells() {
		there[i/8] |= 1 << (i % 8)
	}
	decimals := d.decimals()
	dst = append(dst, dayVersion)
	dst = append(dst, there[:]...)
	dst = append(dst, decimals)
	var mean, n int64 // of the cell before
	for _, c := range d.cells() {
		if decimals == noDecimals {
			for _, v := range [...]float64{c.mean, c.low, c.high} {
				dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(v))
			}
		} else {
			m := scaled(c.mean, decimals)
			dst = binary.AppendVarint(dst, m-mean)
			dst = binary.AppendVarint(dst, m-scaled(c.low, decimals))
			dst = binary.AppendVarint(dst, scaled(c.high, decimals)-m)
			mean = m
		}
		dst = binary.AppendVarint(dst, c.n-n)
		n = c.n
	}
	return dst
}

// decimals returns the fewest decimals that give every value back.
func (d *day) decimals() byte {
	decimals := byte(0)
	for _, c := range d.cells() {
		for _, v := range [...]float64{c.mean, c.low, c.high} {
			for !comesBack(v, decimals) {
				if decimals++; decimals > maxDecimals {
					return noDecimals
				}
			}
		}
	}
	// A value that came back from fewer decimals does from more, unless it grew too large.
	for _, c := range d.cells() {
		if !comesBack(c.mean, decimals) || !comesBack(c.low, decimals) || !comesBack(c.high, decimals) {
			return noDecimals
		}
	}
	return decimals
}

func scaled(v float64, decimals byte) int64 { return int64(math.Round(v * powersOf10[decimals])) }

func unscaled(i int64, decimals byte) float64 { return float64(i) / powersOf10[decimals] }

func comesBack(v float64, decimals byte) bool {
	return math.Abs(v*powersOf10[decimals]) < exactEnd &&
		math.Float64bits(unscaled(scaled(v, decimals), decimals)) == math.Float64bits(v)
}

// unpackDay reads what appendPacked wrote.
func unpackDay(packed []byte) (*day, error) {
	if len(packed) < dayHeader {
		return nil, errDay
	}
	if packed[0] != dayVersion {
		return nil, fmt.Errorf("its format %d is of a later program", packed[0])
	}
	there, decimals := packed[1:dayHeader-1], packed[dayHeader-1]
	if decimals > maxDecimals && decimals != noDecimals {
		return nil, errDay
	}
	d, in := &day{}, dayReader{rest: packed[dayHeader:]}
	var before cell
	for i, eight := range there {
		for ; eight != 0; eight &= eight - 1 {
			slot := i*8 + bits.TrailingZeros8(eight)
			d.have[slot] = true
			d.cell[slot] = in.cell(decimals, before)
			before = d.cell[slot]
		}
	}
	if in.failed || len(in.rest) > 0 {
		return nil, errDay
	}
	return d, nil
}

// dayReader reads numbers off the front of rest.
type dayReader struct {
	rest   []byte
	failed bool
}

func (r *dayReader) cell(decimals byte, before cell) (c cell) {
	if decimals == noDecimals {
		c.mean, c.low, c.high = r.float(), r.float(), r.float()
	} else {
		mean := scaled(before.mean, decimals) + r.varint()
		c.mean = unscaled(mean, decimals)
		c.low = unscaled(mean-r.varint(), decimals)
		c.high = unscaled(mean+r.varint(), decimals)
	}
	c.n = before.n + r.varint()
	return c
}

func (r *dayReader) varint() int64 {
	v, size := binary.Varint(r.rest)
	if size <= 0 {
		r.failed, r.rest = true, nil
		return 0
	}
	r.rest = r.rest[size:]
	return v
}

func (r *dayReader) float() float64 {
	if len(r.rest) < 8 {
		r.failed, r.rest = true, nil
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(r.rest))
	r.rest = r.rest[8:]
	return v
}
