package senml

import (
	"math"
	"math/bits"
	"strconv"

	"dewline"
)

// number is a number as it was written: a decimal, ±mant·10^exp, or a binary float. It becomes a
// double for a value and an exact instant for a time, since a double of a Unix time with
// milliseconds loses what decides how it is rounded.
type number struct {
	mant   uint64
	exp    int32
	neg    bool
	more   bool // nonzero digits follow those of mant
	binary bool // f is the number instead
	single bool // f was written in 16 or 32 bits
	f      float64
	text   []byte // of a decimal that was written as text
}

// maxDigits is how many decimal digits always fit mant.
const maxDigits = 19

// maxExp10 bounds exponents; beyond it every double is 0 or infinite.
const maxExp10 = 1 << 20

// parseDecimal reads the JSON number (RFC 8259 section 6) that b begins with and returns how many
// bytes it takes, 0 if there is none.
func parseDecimal(b []byte) (n number, size int) {
	i := 0
	if i < len(b) && b[i] == '-' {
		n.neg = true
		i++
	}
	whole := i
	i = n.digits(b, i, 0)
	if i == whole || (b[whole] == '0' && i > whole+1) {
		return n, 0
	}
	if i < len(b) && b[i] == '.' {
		frac := i + 1
		if i = n.digits(b, frac, -1); i == frac {
			return n, 0
		}
	}
	if i < len(b) && b[i]|0x20 == 'e' {
		if i = n.exponent(b, i+1); i == 0 {
			return n, 0
		}
	}
	return n, i
}

// digits appends the digits of b from i on to the decimal and returns where they end. Each that is
// kept moves the exponent by step (0 before the point, -1 after it).
func (n *number) digits(b []byte, i int, step int32) int {
	for ; i < len(b); i++ {
		c := b[i] - '0'
		if c > 9 {
			break
		}
		if n.mant >= 1e18 { // 19 digits are kept
			n.more = n.more || c != 0
			n.exp += step + 1
			continue
		}
		n.mant = n.mant*10 + uint64(c)
		n.exp += step
	}
	return i
}

// exponent adds the exponent that begins at i and returns where it ends, 0 if there is none.
func (n *number) exponent(b []byte, i int) int {
	neg := false
	if i < len(b) && (b[i] == '+' || b[i] == '-') {
		neg = b[i] == '-'
		i++
	}
	start := i
	var e int32
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		e = min(e*10+int32(b[i]-'0'), maxExp10)
	}
	if i == start {
		return 0
	}
	if neg {
		e = -e
	}
	n.exp += e
	return i
}

var pow10 = func() (p [maxDigits + 1]uint64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = p[i-1] * 10
	}
	return p
}()

// exact10 are the powers of ten that a double holds exactly.
var exact10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// float returns the double nearest to n, infinite if it is too large for one.
func (n *number) float() float64 {
	if n.binary {
		return n.f
	}
	// One operation on two exact doubles rounds correctly (Clinger 1990, "How to read floating
	// point numbers accurately", the fast case); the library does the rest.
	if n.mant < 1<<53 && !n.more && -len(exact10) < int(n.exp) && int(n.exp) < len(exact10) {
		f := float64(n.mant)
		if n.exp < 0 {
			f /= exact10[-n.exp]
		} else {
			f *= exact10[n.exp]
		}
		if n.neg {
			f = -f
		}
		return f
	}
	return n.slowFloat()
}

func (n *number) slowFloat() float64 {
	text := n.text
	if text == nil { // a decimal fraction of CBOR
		var buf [40]byte
		text = strconv.AppendUint(buf[:0], n.mant, 10)
		text = strconv.AppendInt(append(text, 'e'), int64(n.exp), 10)
		f, _ := strconv.ParseFloat(string(text), 64)
		if n.neg {
			f = -f
		}
		return f
	}
	f, _ := strconv.ParseFloat(string(text), 64) // an error of range comes with ±Inf
	return f
}

// instant is a time in seconds or a difference of two: sec + atto·1e-18. It is exact for numbers of
// up to 19 digits, which RFC 8428 section 5 tells senders to keep to.
type instant struct {
	sec  int64  // rounded down
	atto uint64 // less than attosPerSecond
	nan  bool
}

const (
	attosPerSecond = 1_000_000_000_000_000_000
	attosPerMilli  = attosPerSecond / 1000

	// maxSeconds bounds instants so that sums of two do not overflow, also as milliseconds: 30
	// million years, of which none is taken anyway.
	maxSeconds = 1_000_000_000_000_000
)

// relative says whether i is too small for a Unix time.
func (i instant) relative() bool { return i.sec < relativeBelow && !i.nan }

// plus returns i+o.
func (i instant) plus(o instant) instant {
	s := instant{sec: i.sec + o.sec, atto: i.atto + o.atto, nan: i.nan || o.nan}
	if s.atto >= attosPerSecond {
		s.atto -= attosPerSecond
		s.sec++
	}
	return s
}

// millis returns i to the millisecond, rounded half up.
func (i instant) millis() dewline.Millis {
	return dewline.Millis(i.sec*1000 + int64((i.atto+attosPerMilli/2)/attosPerMilli))
}

// instant returns n seconds.
func (n *number) instant() instant {
	if n.binary {
		return binaryInstant(n.f, n.single)
	}
	sec, atto := n.magnitude()
	if !n.neg {
		return instant{sec: sec, atto: atto}
	}
	if n.more {
		atto++ // further from zero, so that half a millisecond and a bit less rounds down
	}
	if atto == 0 {
		return instant{sec: -sec}
	}
	return instant{sec: -sec - 1, atto: attosPerSecond - atto}
}

// magnitude returns the seconds of |n|, at most maxSeconds, and the attoseconds beyond them.
func (n *number) magnitude() (sec int64, atto uint64) {
	switch {
	case n.mant == 0:
		return 0, 0
	case n.exp == 0:
		return int64(min(n.mant, maxSeconds)), 0
	case n.exp > maxDigits:
		return maxSeconds, 0
	case n.exp > 0:
		hi, lo := bits.Mul64(n.mant, pow10[n.exp])
		if hi > 0 {
			return maxSeconds, 0
		}
		return int64(min(lo, maxSeconds)), 0
	}
	scale := -n.exp
	if scale > 2*maxDigits-1 {
		return 0, 0
	}
	if scale > maxDigits { // below a second
		return 0, n.mant / pow10[scale-18]
	}
	sec = int64(min(n.mant/pow10[scale], maxSeconds))
	atto = n.mant % pow10[scale]
	if scale <= 18 {
		return sec, atto * pow10[18-scale]
	}
	return sec, atto / 10
}

// binaryInstant returns f seconds. A float stands for the shortest decimal that tells it apart from
// its neighbours: that is what the sender meant by it, and what the same pack says in JSON.
func binaryInstant(f float64, single bool) instant {
	switch {
	case math.IsNaN(f):
		return instant{nan: true}
	case f >= maxSeconds:
		return instant{sec: maxSeconds}
	case f <= -maxSeconds:
		return instant{sec: -maxSeconds}
	case f == math.Trunc(f):
		return instant{sec: int64(f)}
	}
	size := 64
	if single {
		size = 32
	}
	var buf [32]byte
	n, _ := parseDecimal(strconv.AppendFloat(buf[:0], f, 'e', -1, size))
	return n.instant()
}
