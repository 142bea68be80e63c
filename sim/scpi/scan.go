package scpi

import "bytes"

// terminator is what ended a program message unit.
type terminator uint8

const (
	unfinished terminator = iota // more bytes are needed
	semicolon
	lineFeed
)

// scanState is where the scanner is within a unit.
type scanState uint8

const (
	inLead   scanState = iota // white space before the header
	inHeader                  // header
	inData                    // parameters
	inString                  // between quotes
	inQuote                   // behind a quote that may be the first of a doubled one
	inHash                    // behind # at the start of an element
	inDigits                  // in the length of a definite block
	inBlock                   // in the bytes of a definite block
	inRest                    // in an indefinite block
)

// scanner finds the end of a program message unit in bytes that may come in any pieces. It only looks for what can hide
// a terminator: strings, blocks and, where commas do not part elements, parentheses.
type scanner struct {
	at             int // next byte to look at
	start, headEnd int // extent of the header
	state          scanState
	quote          byte
	fresh          bool // at the start of a data element
	depth          int  // open parentheses
	left           int  // digits or block bytes to come
	size           int  // length of a definite block, as far as it is read
}

// restart prepares for the next unit.
func (sc *scanner) restart() {
	sc.start, sc.headEnd = sc.at, sc.at
	sc.state, sc.depth = inLead, 0
}

// scan goes on through in and tells whether the unit is complete. A complete unit's header is in[start:headEnd]; its
// data reaches to at-1, where the terminator is. With a stream transport LF ends an indefinite block.
func (sc *scanner) scan(in []byte, stream, linesEndStrings bool) terminator {
	i := sc.at
	if sc.state == inLead {
		for i < len(in) && in[i] <= ' ' && in[i] != '\n' {
			i++
		}
		sc.start, sc.headEnd = i, i
		if i == len(in) {
			sc.at = i
			return unfinished
		}
		sc.state = inHeader
	}
	if sc.state == inHeader {
		for i < len(in) && in[i] > ' ' && in[i] != ';' {
			i++
		}
		sc.headEnd = i
		if i == len(in) {
			sc.at = i
			return unfinished
		}
		switch in[i] {
		case ';':
			sc.at = i + 1
			return semicolon
		case '\n':
			sc.at = i + 1
			return lineFeed
		}
		sc.state, sc.fresh = inData, true
	}
	for i < len(in) {
		if sc.state != inData {
			i = sc.special(in, i, stream, linesEndStrings)
			continue
		}
		c := in[i]
		i++
		if c >= '-' && c != ';' {
			sc.fresh = false
			continue
		}
		switch c {
		case ';':
			sc.at = i
			return semicolon
		case '\n':
			sc.at = i
			return lineFeed
		case ',':
			sc.fresh = sc.depth == 0
			continue
		case '(':
			sc.depth++
		case ')':
			sc.depth = max(sc.depth-1, 0)
		case '"', '\'':
			if sc.fresh {
				sc.state, sc.quote = inString, c
			}
		case '#':
			if sc.fresh {
				sc.state = inHash
			}
		default:
			if c <= ' ' {
				continue
			}
		}
		sc.fresh = false
	}
	sc.at = i
	return unfinished
}

// special handles the states in which a terminator may be hidden and returns the next byte to look at.
func (sc *scanner) special(in []byte, i int, stream, linesEndStrings bool) int {
	c := in[i]
	switch sc.state {
	case inString:
		n := bytes.IndexByte(in[i:], sc.quote)
		if linesEndStrings {
			if lf := bytes.IndexByte(in[i:], '\n'); lf >= 0 && (n < 0 || lf < n) {
				sc.state = inData
				return i + lf
			}
		}
		if n < 0 {
			return len(in)
		}
		sc.state = inQuote
		return i + n + 1
	case inQuote:
		if c != sc.quote {
			sc.state = inData
			return i
		}
		sc.state = inString
	case inHash:
		if !isDigit(c) {
			sc.state = inData
			return i
		}
		sc.state, sc.left, sc.size = inDigits, int(c-'0'), 0
		if c == '0' {
			sc.state = inRest
		}
	case inDigits:
		if !isDigit(c) {
			sc.state = inData
			return i
		}
		sc.size = sc.size*10 + int(c-'0')
		if sc.left--; sc.left == 0 {
			sc.state, sc.left = inBlock, sc.size
			if sc.size == 0 {
				sc.state = inData
			}
		}
	case inBlock:
		n := min(sc.left, len(in)-i)
		if sc.left -= n; sc.left == 0 {
			sc.state = inData
		}
		return i + n
	case inRest:
		if stream {
			if n := bytes.IndexByte(in[i:], '\n'); n >= 0 {
				sc.state = inData
				return i + n
			}
		}
		return len(in)
	}
	return i + 1
}

// pendingBytes returns how many bytes of a definite block are still to come.
func (sc *scanner) pendingBytes() int {
	if sc.state == inBlock {
		return sc.left
	}
	return 0
}

// shift follows the buffer when n consumed bytes are removed from its front.
func (sc *scanner) shift(n int) {
	sc.at, sc.start, sc.headEnd = sc.at-n, sc.start-n, sc.headEnd-n
}
