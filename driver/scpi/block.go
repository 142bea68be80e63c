package scpi

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// ErrBlock says that bytes are no block, or a block that is not whole.
var ErrBlock = errors.New("invalid block")

// CutBlock takes the block at the front of wire apart: body is its data, rest what follows; both lie in the memory of wire. Blanks
// before the block are skipped. A definite block (#3 124 ...) has its length in its header; an indefinite one (#0...) is everything
// up to the end of wire, without a final line feed, which is left in rest.
// Anything else, a block cut short included, is ErrBlock (IEEE 488.2 clauses 8.7.9 and 8.7.10).
func CutBlock(wire []byte) (body, rest []byte, err error) {
	text := bytes.TrimLeft(wire, " \t")
	if len(text) < 2 || text[0] != '#' || text[1] < '0' || text[1] > '9' {
		return nil, nil, fmt.Errorf("%w: %s does not begin like one", ErrBlock, quoted(head(text)))
	}
	digits := int(text[1] - '0')
	text = text[2:]
	if digits == 0 {
		body = bytes.TrimSuffix(text, []byte("\n"))
		return body, text[len(body):], nil
	}
	if len(text) < digits {
		return nil, nil, fmt.Errorf("%w: it ends within its length", ErrBlock)
	}
	length := 0
	for _, c := range text[:digits] {
		if c < '0' || c > '9' {
			return nil, nil, fmt.Errorf("%w: %s is no length", ErrBlock, quoted(text[:digits]))
		}
		length = length*10 + int(c-'0')
	}
	text = text[digits:]
	if len(text) < length {
		return nil, nil, fmt.Errorf("%w: %d bytes are announced, %d came", ErrBlock, length, len(text))
	}
	return text[:length], text[length:], nil
}

func head(text []byte) []byte { return text[:min(len(text), 16)] }

// Order is the order of bytes in binary numbers.
type Order bool

// The orders of FORMat:BORDer: NORMal sends the highest byte first, SWAPped the lowest (SCPI-1999 volume 2, 9.1).
const (
	Normal  Order = false
	Swapped Order = true
)

// Float32s turns the body of a REAL,32 block into numbers, in the memory of into where they fit. The special numbers of SCPI are left as
// they are; [Special32] tells them.
func Float32s(into []float32, body []byte, order Order) ([]float32, error) {
	if len(body)%4 != 0 {
		return into[:0], fmt.Errorf("%w: %d bytes are no whole number of 4-byte numbers", ErrBlock, len(body))
	}
	n := len(body) / 4
	if cap(into) < n {
		into = make([]float32, n)
	}
	into = into[:n]
	out, at := into, body
	if order == Swapped {
		for len(out) >= 4 && len(at) >= 16 {
			a, b := binary.LittleEndian.Uint64(at), binary.LittleEndian.Uint64(at[8:])
			out[0], out[1] = math.Float32frombits(uint32(a)), math.Float32frombits(uint32(a>>32))
			out[2], out[3] = math.Float32frombits(uint32(b)), math.Float32frombits(uint32(b>>32))
			out, at = out[4:], at[16:]
		}
		for i := range out {
			out[i] = math.Float32frombits(binary.LittleEndian.Uint32(at[4*i:]))
		}
		return into, nil
	}
	for len(out) >= 4 && len(at) >= 16 {
		a, b := binary.BigEndian.Uint64(at), binary.BigEndian.Uint64(at[8:])
		out[0], out[1] = math.Float32frombits(uint32(a>>32)), math.Float32frombits(uint32(a))
		out[2], out[3] = math.Float32frombits(uint32(b>>32)), math.Float32frombits(uint32(b))
		out, at = out[4:], at[16:]
	}
	for i := range out {
		out[i] = math.Float32frombits(binary.BigEndian.Uint32(at[4*i:]))
	}
	return into, nil
}

// Float64s is Float32s for REAL,64.
func Float64s(into []float64, body []byte, order Order) ([]float64, error) {
	if len(body)%8 != 0 {
		return into[:0], fmt.Errorf("%w: %d bytes are no whole number of 8-byte numbers", ErrBlock, len(body))
	}
	n := len(body) / 8
	if cap(into) < n {
		into = make([]float64, n)
	}
	into = into[:n]
	for i := range into {
		bits := body[8*i : 8*i+8 : 8*i+8]
		if order == Swapped {
			into[i] = math.Float64frombits(binary.LittleEndian.Uint64(bits))
		} else {
			into[i] = math.Float64frombits(binary.BigEndian.Uint64(bits))
		}
	}
	return into, nil
}

// Special32 tells what a number of a REAL,32 block stands for.
func Special32(x float32) State { return special(float64(x)).State }

// Special64 tells what a number of a REAL,64 block stands for.
func Special64(x float64) State { return special(x).State }
