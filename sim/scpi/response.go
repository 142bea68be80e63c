package scpi

import (
	"encoding/binary"
	"math"
	"slices"
	"strconv"
)

// The numbers of SCPI-1999 for what is not a number (volume 1 clause 7.2.1.4).
const (
	NotANumber = 9.91e37
	Infinity   = 9.9e37
)

// element starts a data element of the answer and returns the output to append to.
func (c *Call) element() []byte {
	out := c.session.out
	if c.elements > 0 {
		out = append(out, ',')
	} else if c.session.responded {
		out = append(out, ';')
	}
	c.elements++
	return out
}

// NR1 answers an integer.
func (c *Call) NR1(v int64) {
	out := c.plus(c.element(), v >= 0)
	c.session.out = strconv.AppendInt(out, v, 10)
}

// NR2 answers a number with a fixed number of decimals, at least one; what is not a number, or too long for NR2,
// becomes NR3.
func (c *Call) NR2(v float64, decimals int) {
	if v != v || math.Abs(v) >= 1e15 {
		c.NR3(v, c.session.device.options.Digits)
		return
	}
	out := c.plus(c.element(), !math.Signbit(v))
	c.session.out = strconv.AppendFloat(out, v, 'f', max(decimals, 1), 64)
}

// NR3 answers a number with exponent and the given digits after the point, at least one.
func (c *Call) NR3(v float64, digits int) {
	out := c.element()
	v = finite(v)
	out = c.plus(out, !math.Signbit(v))
	from := len(out)
	out = appendNR3(out, v, max(digits, 1))
	if c.session.device.options.Quirks.LowerExponent {
		for i := from; i < len(out); i++ {
			if out[i] == 'E' {
				out[i] = 'e'
			}
		}
	}
	c.session.out = out
}

// finite replaces infinities and NaN by SCPI's numbers for them.
func finite(v float64) float64 {
	switch {
	case v != v:
		return NotANumber
	case v > Infinity && math.IsInf(v, 1):
		return Infinity
	case v < -Infinity && math.IsInf(v, -1):
		return -Infinity
	}
	return v
}

// Number answers a number the instrument's usual way: NR3, or NR2 with as many digits under Quirks.FixedPoint.
func (c *Call) Number(v float64) {
	o := &c.session.device.options
	if !o.Quirks.FixedPoint {
		c.NR3(v, o.Digits)
		return
	}
	decimals := o.Digits
	if a := math.Abs(v); a >= 10 {
		decimals -= int(math.Log10(a))
	} else if a > 0 && a < 1e-3 {
		decimals += 3
	}
	c.NR2(v, decimals)
}

func (c *Call) plus(out []byte, positive bool) []byte {
	if positive && c.session.device.options.Quirks.PlusSign {
		out = append(out, '+')
	}
	return out
}

// Boolean answers 0 or 1.
func (c *Call) Boolean(v bool) {
	b := byte('0')
	if v {
		b = '1'
	}
	c.session.out = append(c.element(), b)
}

// Character answers the short form of a keyword given as in Param.Keywords: "VOLTage" is answered VOLT.
func (c *Call) Character(word string) {
	n := 0
	for n < len(word) && (word[n] < 'a' || word[n] > 'z') {
		n++
	}
	c.session.out = append(c.element(), word[:n]...)
}

// Text answers a string in double quotes.
func (c *Call) Text(text string) {
	c.session.out = appendQuoted(c.element(), text)
}

func appendQuoted(out []byte, text string) []byte {
	out = append(out, '"')
	for i := range len(text) {
		if text[i] == '"' {
			out = append(out, '"')
		}
		out = append(out, text[i])
	}
	return append(out, '"')
}

// Line answers arbitrary ASCII, which reaches to the end of the response: no further query may follow in the message
// (-440). Characters outside printable ASCII become blanks.
func (c *Call) Line(text string) {
	out := c.element()
	for i := range len(text) {
		b := text[i]
		if b < ' ' || b > '~' {
			b = ' '
		}
		out = append(out, b)
	}
	c.session.out = out
	c.session.indefinite = !c.session.device.options.Quirks.QueryAfterIDN
}

// NonDecimal answers an unsigned integer in base 16, 8 or 2 as #H, #Q or #B; any other base is answered as NR1.
func (c *Call) NonDecimal(v uint64, base int) {
	mark := byte('H')
	switch base {
	case 8:
		mark = 'Q'
	case 2:
		mark = 'B'
	case 16:
	default:
		c.NR1(int64(v))
		return
	}
	out := append(c.element(), '#', mark)
	from := len(out)
	out = strconv.AppendUint(out, v, base)
	for i := from; i < len(out); i++ {
		out[i] = upper(out[i])
	}
	c.session.out = out
}

// ChannelNumbers answers a channel list, (@1,3).
func (c *Call) ChannelNumbers(channels []int) {
	out := append(c.element(), '(', '@')
	for i, n := range channels {
		if i > 0 {
			out = append(out, ',')
		}
		out = strconv.AppendInt(out, int64(n), 10)
	}
	c.session.out = append(out, ')')
}

// Block answers a definite block.
func (c *Call) Block(data []byte) {
	c.session.out = append(appendBlockHead(c.element(), len(data)), data...)
}

// BlockOf answers a definite block of n bytes, which fill writes where they go out from.
func (c *Call) BlockOf(n int, fill func(body []byte)) {
	out := appendBlockHead(c.element(), n)
	at := len(out)
	out = slices.Grow(out, n)[:at+n]
	fill(out[at:])
	c.session.out = out
}

// IndefiniteBlock answers a block of unstated length. Only a transport that marks the end of messages can carry it;
// elsewhere a definite block goes out.
func (c *Call) IndefiniteBlock(data []byte) {
	if !c.session.options.Messages {
		c.Block(data)
		return
	}
	c.session.out = append(append(c.element(), '#', '0'), data...)
	c.session.indefinite = true
}

func appendBlockHead(out []byte, n int) []byte {
	out = append(out, '#', '0')
	at := len(out)
	out = strconv.AppendInt(out, int64(n), 10)
	out[at-1] = '0' + byte(len(out)-at)
	return out
}

// DataFormat is what FORMat[:DATA] has chosen for lists of readings.
type DataFormat uint8

// The formats of readings; a block's byte order is FORMat:BORDer, NORMal for the most significant byte first.
const (
	ASCII DataFormat = iota
	Real32
	Real64
)

// ReadingFormat returns the format of readings and whether its bytes are swapped (least significant first).
func (d *Device) ReadingFormat() (f DataFormat, swapped bool) { return d.format, d.swapped }

// Readings answers a list of numbers as FORMat has chosen: NR3 separated by commas, or one definite block.
func (c *Call) Readings(v []float64) {
	c.readings(len(v), func(i int) float64 { return v[i] })
}

// Readings32 is Readings for values that are held in single precision.
func (c *Call) Readings32(v []float32) {
	d := c.session.device
	if d.format != Real32 {
		c.readings(len(v), func(i int) float64 { return float64(v[i]) })
		return
	}
	out := appendBlockHead(c.element(), 4*len(v))
	at := len(out)
	out = append(out, make([]byte, 4*len(v))...)
	body := out[at:]
	for i, x := range v {
		if x != x || math.IsInf(float64(x), 0) {
			x = float32(finite(float64(x)))
		}
		if d.swapped {
			binary.LittleEndian.PutUint32(body[4*i:], math.Float32bits(x))
		} else {
			binary.BigEndian.PutUint32(body[4*i:], math.Float32bits(x))
		}
	}
	c.session.out = out
}

func (c *Call) readings(n int, at func(int) float64) {
	d := c.session.device
	if d.format == ASCII {
		digits := d.options.Digits
		if d.ascii > 0 {
			digits = d.ascii - 1
		}
		for i := range n {
			c.NR3(at(i), digits)
		}
		return
	}
	size := 8
	if d.format == Real32 {
		size = 4
	}
	var order binary.AppendByteOrder = binary.BigEndian
	if d.swapped {
		order = binary.LittleEndian
	}
	out := appendBlockHead(c.element(), n*size)
	for i := range n {
		v := finite(at(i))
		if size == 4 {
			out = order.AppendUint32(out, math.Float32bits(float32(v)))
		} else {
			out = order.AppendUint64(out, math.Float64bits(v))
		}
	}
	c.session.out = out
}
