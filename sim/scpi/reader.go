package scpi

import "bytes"

// dataKind is the type of a program data element, told by its first character.
type dataKind uint8

const (
	noData dataKind = iota
	numericData
	nonDecimalData
	characterData
	stringData
	blockData
	expressionData
	strangeData
)

// reader takes program data elements from the data part of one unit.
type reader struct {
	rest []byte
}

func (r *reader) done() bool { return len(r.rest) == 0 }

func (r *reader) skipSpace() {
	for len(r.rest) > 0 && r.rest[0] <= ' ' {
		r.rest = r.rest[1:]
	}
}

func (r *reader) kind() dataKind {
	if len(r.rest) == 0 || r.rest[0] == ',' {
		return noData
	}
	switch c := r.rest[0]; {
	case isDigit(c), c == '+', c == '-', c == '.':
		return numericData
	case isLetter(c):
		return characterData
	case c == '"', c == '\'':
		return stringData
	case c == '(':
		return expressionData
	case c == '#':
		if len(r.rest) > 1 {
			switch upper(r.rest[1]) {
			case 'H', 'Q', 'B':
				return nonDecimalData
			}
		}
		return blockData
	}
	return strangeData
}

// junk names the fault of what follows a complete element where a comma is due.
func (r *reader) junk() error {
	if c := r.rest[0]; c > 0x7e || c == '\n' {
		return InvalidCharacter
	}
	return InvalidSeparator
}

// skipElement reads over one element of any type and reports its own faults.
func (r *reader) skipElement() (err error) {
	switch r.kind() {
	case numericData:
		if _, err = r.decimal(); err == nil {
			r.suffix()
		}
	case nonDecimalData:
		_, err = r.nonDecimal()
	case characterData:
		_, err = r.character()
	case stringData:
		_, err = r.text()
	case blockData:
		_, err = r.block()
	case expressionData:
		_, err = r.expression()
	case noData:
		return SyntaxError
	default:
		return InvalidCharacter
	}
	return err
}

// character reads character program data.
func (r *reader) character() ([]byte, error) {
	n := 0
	for n < len(r.rest) && (isLetter(r.rest[n]) || isDigit(r.rest[n]) || r.rest[n] == '_') {
		n++
	}
	word := r.rest[:n]
	r.rest = r.rest[n:]
	if n < len(word)+len(r.rest) {
		if c := r.rest[0]; c > ' ' && c != ',' {
			return nil, r.wordFault(c)
		}
	}
	if n > maxMnemonic {
		return nil, CharacterDataTooLong
	}
	return word, nil
}

func (r *reader) wordFault(c byte) error {
	switch c {
	case '"', '\'', '#', '(':
		return InvalidSeparator
	}
	if c > 0x7e {
		return InvalidCharacter
	}
	return InvalidCharacterData
}

// text reads string program data and returns its content.
func (r *reader) text() ([]byte, error) {
	quote := r.rest[0]
	body := r.rest[1:]
	n := bytes.IndexByte(body, quote)
	if n < 0 {
		return nil, InvalidStringData
	}
	if n+1 == len(body) || body[n+1] != quote {
		r.rest = body[n+1:]
		return body[:n], nil
	}
	var out []byte
	for {
		out = append(out, body[:n]...)
		if n+1 == len(body) || body[n+1] != quote {
			r.rest = body[n+1:]
			return out, nil
		}
		out = append(out, quote)
		body = body[n+2:]
		if n = bytes.IndexByte(body, quote); n < 0 {
			return nil, InvalidStringData
		}
	}
}

// block reads definite or indefinite block data and returns the bytes in it, not copied.
func (r *reader) block() ([]byte, error) {
	if len(r.rest) < 2 || !isDigit(r.rest[1]) {
		return nil, InvalidBlockData
	}
	digits := int(r.rest[1] - '0')
	body := r.rest[2:]
	if digits == 0 {
		r.rest = nil
		return bytes.TrimSuffix(body, []byte{'\n'}), nil // the LF that comes with END is not data
	}
	if len(body) < digits {
		return nil, InvalidBlockData
	}
	n := 0
	for _, c := range body[:digits] {
		if !isDigit(c) {
			return nil, InvalidBlockData
		}
		n = n*10 + int(c-'0')
	}
	body = body[digits:]
	if n > len(body) {
		return nil, InvalidBlockData
	}
	r.rest = body[n:]
	return body[:n], nil
}

// expression reads balanced parentheses and returns what is between the outer ones.
func (r *reader) expression() ([]byte, error) {
	depth := 0
	for i, c := range r.rest {
		switch {
		case c == '(':
			depth++
		case c == ')':
			if depth--; depth == 0 {
				inside := r.rest[1:i]
				r.rest = r.rest[i+1:]
				return inside, nil
			}
		case c == '"', c == '\'', c == '#', c > 0x7e:
			return nil, InvalidExpression
		}
	}
	return nil, InvalidExpression
}

// maxRanges bounds the elements of a list, and maxChannels the channels it may come to.
const (
	maxRanges   = 1024
	maxChannels = 4096
)

// readList reads the inside of a channel list or of a numeric list.
func (c *Call) readList(inside []byte, channels bool) ([]Range, error) {
	r := reader{rest: inside}
	r.skipSpace()
	if channels {
		if r.done() || r.rest[0] != '@' {
			return nil, InvalidExpression
		}
		r.rest = r.rest[1:]
	}
	var out []Range
	for {
		from, err := r.listNumber(channels)
		if err != nil {
			return nil, err
		}
		one := Range{from, from}
		r.skipSpace()
		if !r.done() && r.rest[0] == ':' {
			r.rest = r.rest[1:]
			if one.To, err = r.listNumber(channels); err != nil {
				return nil, err
			}
			r.skipSpace()
		}
		if out = append(out, one); len(out) > maxRanges {
			return nil, TooMuchData
		}
		if r.done() {
			return out, nil
		}
		if r.rest[0] != ',' {
			return nil, InvalidExpression
		}
		r.rest = r.rest[1:]
	}
}

func (r *reader) listNumber(whole bool) (float64, error) {
	r.skipSpace()
	if r.kind() != numericData {
		return 0, InvalidExpression
	}
	v, err := r.decimal()
	if err != nil || whole && (v != float64(int32(v)) || v < 0) {
		return 0, InvalidExpression
	}
	return v, nil
}
