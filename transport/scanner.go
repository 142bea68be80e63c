package transport

import (
	"bytes"
	"fmt"
)

// scanner finds the end of a response in a stream that marks it by a line end only. A line end inside a quoted string or inside
// a block of binary data does not count, so it follows as much of the syntax of IEEE 488.2 response messages as that takes. It sees
// the bytes in pieces of any size and never claims one beyond the end.
type scanner struct {
	plain    bool // a line end is a line end, everywhere
	anyCase  bool // headers may be in small letters, as a controller may write them
	crEnds   bool // a carriage return ends a text line too
	maxText  int  // bytes outside blocks
	maxBlock int  // bytes inside blocks, all blocks of a response together

	mode   mode
	at     position
	quote  byte
	digits int // of the block's length, still to come
	left   int // bytes of the block, still to come
	text   int
	block  int
	lastCR bool // the last byte was a carriage return outside strings and blocks
}

type mode uint8

const (
	inText mode = iota
	inString
	afterHash
	inLength
	inBlock
	inIndefinite
)

// position says what a byte of text may begin. 488.2 text answers of real instruments contain odd apostrophes and hashes, so
// that only those count which begin a data element.
type position uint8

const (
	unitStart   position = iota // only white space since the message unit began
	inHeader                    // only a header since then
	elementNext                 // white space after a header, or a comma
	inElement
	afterString // just behind a closing quote
	afterBlock  // just behind the last byte of a block
)

// reset prepares for the next response.
func (s *scanner) reset() {
	s.mode, s.at, s.quote, s.lastCR = inText, unitStart, 0, false
	s.digits, s.left, s.text, s.block = 0, 0, 0, 0
}

// blank returns how many bytes at the head of p are line ends left over from the last response, or empty lines.
func (s *scanner) blank(p []byte) int {
	for i, b := range p {
		if b != '\n' && b != '\r' {
			return i
		}
	}
	return len(p)
}

// next takes bytes from the head of p. It returns how many of them belong to the response, terminator included, and whether the
// response ends with them. An error means that the end cannot be found, or not within the limits.
func (s *scanner) next(p []byte) (n int, end bool, err error) {
	for n < len(p) {
		switch s.mode {
		case inString:
			k := bytes.IndexByte(p[n:], s.quote)
			whole := k >= 0
			if !whole {
				k = len(p) - n - 1
			}
			n += k + 1
			if err := s.count(k + 1); err != nil {
				return n, false, err
			}
			if whole {
				s.mode, s.at = inText, afterString
			}
		case inBlock, inIndefinite:
			k := len(p) - n
			if s.mode == inBlock {
				k = min(k, s.left)
			}
			n += k
			if err := s.took(k); err != nil {
				return n, false, err
			}
		default:
			end, err := s.byte(p[n])
			n++
			if end || err != nil {
				return n, end, err
			}
		}
	}
	return n, false, nil
}

// took notes k bytes inside a block.
func (s *scanner) took(k int) error {
	s.block += k
	if s.mode == inIndefinite {
		if s.block > s.maxBlock {
			return tooLong(s.block, s.maxBlock)
		}
		return nil
	}
	s.left -= k
	if s.left == 0 {
		s.mode, s.at = inText, afterBlock
	}
	return nil
}

// count notes k bytes outside blocks.
func (s *scanner) count(k int) error {
	s.text += k
	if s.text > s.maxText {
		return tooLong(s.text, s.maxText)
	}
	return nil
}

func (s *scanner) byte(b byte) (end bool, err error) {
	if b == '\n' || b == '\r' && s.crEnds {
		if s.mode == inLength {
			return false, garbled(b)
		}
		return true, nil
	}
	if err := s.count(1); err != nil {
		return false, err
	}
	s.lastCR = b == '\r'
	if s.plain {
		return false, nil
	}
	switch s.mode {
	case afterHash:
		switch {
		case b == '0':
			s.mode = inIndefinite
			return false, nil
		case '1' <= b && b <= '9':
			s.mode, s.digits, s.left = inLength, int(b-'0'), 0
			return false, nil
		}
		s.mode, s.at = inText, inElement // a number in another base, or plain text
	case inLength:
		return false, s.length(b)
	}
	s.textByte(b)
	return false, nil
}

// length takes one digit of a block's length.
func (s *scanner) length(b byte) error {
	if b < '0' || b > '9' {
		return garbled(b)
	}
	s.left = 10*s.left + int(b-'0')
	s.digits--
	if s.digits > 0 {
		return nil
	}
	if s.left > s.maxBlock-s.block {
		return tooLong(s.block+s.left, s.maxBlock)
	}
	s.mode = inBlock
	return s.took(0)
}

func (s *scanner) textByte(b byte) {
	begins := s.at == unitStart || s.at == elementNext
	switch {
	case b == ';':
		s.at = unitStart
	case b == ',':
		s.at = elementNext
	case b == ' ' || b == '\t':
		if s.at == inHeader {
			s.at = elementNext
		} else if !begins {
			s.at = inElement
		}
	case b == '"' || b == '\'':
		if begins || s.at == afterString && b == s.quote { // a doubled quote leaves the string and enters it again
			s.mode, s.quote = inString, b
		} else {
			s.at = inElement
		}
	case b == '#' && begins:
		s.mode = afterHash
	case s.at == unitStart && (s.letter(b) || b == ':' || b == '*'):
		s.at = inHeader
	case s.at == inHeader && (s.letter(b) || b == ':' || b == '_' || '0' <= b && b <= '9'):
	default:
		s.at = inElement
	}
}

// letter reports whether b can stand in a header. An instrument writes its headers in capitals (IEEE 488.2, response headers; from memory).
func (s *scanner) letter(b byte) bool {
	return 'A' <= b && b <= 'Z' || s.anyCase && 'a' <= b && b <= 'z'
}

// trailer returns the length of the terminator with which the last response ended.
func (s *scanner) trailer() int {
	if s.lastCR {
		return 2
	}
	return 1
}

// where says in words what the scanner was waiting for.
func (s *scanner) where() string {
	switch s.mode {
	case inString:
		return fmt.Sprintf("inside a string that a %c began (if that is a stray quote, read it as a plain line)", s.quote)
	case inLength, inBlock:
		return fmt.Sprintf("inside a block, %d bytes short", s.left)
	case inIndefinite:
		return "inside a block of unstated length"
	}
	return "without its line end"
}

func tooLong(got, limit int) error {
	return Explain(fmt.Sprintf("the response has %d bytes or more, %d are allowed; raise the limit with the option max", got, limit), ErrTooLong)
}

func garbled(b byte) error {
	return Explain(fmt.Sprintf("a block header has %q where a digit of its length belongs; if this is text, read it as a plain line", b), ErrGarbled)
}
