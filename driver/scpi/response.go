package scpi

import (
	"bytes"
	"errors"
	"fmt"
)

// ErrFields says that a response has another number of elements than the question asks for. A decimal comma shows in this way.
var ErrFields = errors.New("wrong number of elements in the response")

// Split cuts a response into its data elements, at commas and semicolons that are not inside a quoted string, a definite block or
// brackets. The elements lie in the memory of response, blanks around them taken away. Quotes count only where they begin an
// element: free text with an apostrophe stays whole. The elements are put into the memory of into.
func Split(response []byte, into [][]byte) ([][]byte, error) {
	out := into[:0]
	rest := response
	for {
		n, err := elementEnd(rest)
		if err != nil {
			return out, err
		}
		out = append(out, trim(rest[:n]))
		if n == len(rest) {
			return out, nil
		}
		rest = rest[n+1:]
	}
}

// trim takes blanks away, but not from a block.
func trim(element []byte) []byte {
	element = bytes.TrimLeft(element, " \t\r\n")
	if len(element) > 1 && element[0] == '#' && element[1] >= '0' && element[1] <= '9' {
		return element
	}
	return bytes.TrimRight(element, " \t\r\n\x00")
}

// elementEnd is the index of the comma or semicolon behind the first element, or the length of text.
func elementEnd(text []byte) (int, error) {
	i := 0
	for i < len(text) && (text[i] == ' ' || text[i] == '\t' || text[i] == '\r' || text[i] == '\n') {
		i++
	}
	if i < len(text) {
		switch c := text[i]; {
		case c == '"' || c == '\'':
			if end := stringEnd(text[i:]); end > 0 {
				i += end
			}
		case c == '#' && i+1 < len(text) && text[i+1] >= '0' && text[i+1] <= '9':
			_, rest, err := CutBlock(text[i:])
			if err != nil {
				return 0, err
			}
			i = len(text) - len(rest)
		case c == '(':
			if end := bytes.IndexByte(text[i:], ')'); end > 0 {
				i += end
			}
		}
	}
	for ; i < len(text); i++ {
		if text[i] == ',' || text[i] == ';' {
			break
		}
	}
	return i, nil
}

// stringEnd is the length of the quoted string at the front of text, 0 where it does not end.
func stringEnd(text []byte) int {
	quote := text[0]
	for i := 1; i < len(text); i++ {
		if text[i] != quote {
			continue
		}
		if i+1 < len(text) && text[i+1] == quote {
			i++
			continue
		}
		return i + 1
	}
	return 0
}

// ParseString reads a quoted string, doubled quotes undone; text without quotes is taken as it is, since instruments leave them out.
func ParseString(field []byte) string {
	text := bytes.TrimSpace(bytes.Trim(field, "\x00"))
	if len(text) < 2 || (text[0] != '"' && text[0] != '\'') || stringEnd(text) != len(text) {
		return string(text)
	}
	quote := text[:1]
	return string(bytes.ReplaceAll(text[1:len(text)-1], append(bytes.Clone(quote), quote[0]), quote))
}

// AppendNumbers reads a response that is a list of numbers, behind into. Overloads are given as they are, as Numbers.
func AppendNumbers(into []Number, response []byte, tokens *Tokens) ([]Number, error) {
	rest := response
	for i := 1; ; i++ {
		n, err := elementEnd(rest)
		if err != nil {
			return into, err
		}
		x, err := ParseNumber(rest[:n], tokens)
		if err != nil {
			return into, fmt.Errorf("element %d: %w", i, err)
		}
		into = append(into, x)
		if n == len(rest) {
			return into, nil
		}
		rest = rest[n+1:]
	}
}

// ParseOne reads a response that is one number. Two elements where one belongs are refused: "12,5" is a decimal comma, or two
// numbers, and nobody can tell.
func ParseOne(response []byte, tokens *Tokens) (Number, error) {
	n, err := elementEnd(response)
	if err != nil {
		return Number{}, err
	}
	if n != len(response) {
		return Number{}, fmt.Errorf("%s: one number is wanted, more elements came (or a decimal comma): %w", quoted(response), ErrFields)
	}
	return ParseNumber(response, tokens)
}
