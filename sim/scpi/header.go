package scpi

import (
	"encoding/binary"
	"math/bits"
)

// prefix is a header path that the next header of the message continues; nil is the root. Each session keeps one value
// per text, so that two prefixes are equal when their pointers are.
type prefix struct {
	text string // ends in a colon
	seed uint64
}

// header is a resolved header: what was written, where the path stood, and what it means.
type header struct {
	text     string
	from, to *prefix
	form     *form
	suffixes [maxSuffixes]int32
}

const (
	headerCacheBits = 7
	headerCache     = 1 << headerCacheBits // slots
	maxCached       = 64                   // bytes of a header worth keeping
	maxPrefixes     = 256                  // texts kept before they are forgotten
)

// slotOf chooses the cache entry for a header from its first and last bytes; what lies between may be the same in few
// headers of one instrument.
func slotOf(text []byte, at *prefix) uint32 {
	var h uint64
	switch n := len(text); {
	case n >= 8:
		h = binary.LittleEndian.Uint64(text) ^ bits.RotateLeft64(binary.LittleEndian.Uint64(text[n-8:]), 23)
	case n >= 4:
		h = uint64(binary.LittleEndian.Uint32(text)) | uint64(binary.LittleEndian.Uint32(text[n-4:]))<<32
	default:
		for _, c := range text {
			h = h<<8 | uint64(c)
		}
	}
	if at != nil {
		h ^= at.seed
	}
	return uint32(h * 0x9e3779b97f4a7c15 >> (64 - headerCacheBits))
}

// find returns the meaning of a header, from the session's cache when it has been seen before at the same path. A slot
// is a pair of entries, the later one first.
func (s *Session) find(text []byte) (*header, error) {
	slot := slotOf(text, s.path)
	pair := &s.cache[slot]
	for i := range pair {
		if h := &pair[i]; h.form != nil && h.from == s.path && h.text == string(text) {
			return h, nil
		}
	}
	h := &s.uncached
	if err := s.resolve(text, h); err != nil {
		return nil, err
	}
	if len(text) <= maxCached {
		h.text = string(text)
		pair[1], pair[0] = pair[0], *h
		h = &pair[0]
	}
	return h, nil
}

// resolve walks the tree with path and header (the rules of the path: SCPI-1999 volume 1 clause 6.2.4).
func (s *Session) resolve(text []byte, h *header) error {
	*h = header{from: s.path, to: s.path}
	if s.device.options.Quirks.CommonResetsPath && text[0] == '*' {
		h.to = nil
	}
	body, query := text, false
	if n := len(body); body[n-1] == '?' {
		body, query = body[:n-1], true
	}
	full := s.scratch[:0]
	switch {
	case len(body) > 0 && body[0] == '*':
	case len(body) > 0 && body[0] == ':':
		body = body[1:]
		if len(body) > 0 && body[0] == '*' {
			return SyntaxError
		}
	case s.path != nil:
		full = append(full, s.path.text...)
	}
	full = append(full, body...)
	s.scratch = full
	if err := s.walk(full, query, h); err != nil {
		return err
	}
	if body[0] == '*' || s.device.options.Quirks.ForgetPath {
		return nil
	}
	h.to = nil
	for i := len(full) - 1; i >= 0; i-- {
		if full[i] == ':' {
			h.to = s.prefix(full[:i+1])
			break
		}
	}
	return nil
}

// walk finds the form that full stands for and checks the numeric suffixes.
func (s *Session) walk(full []byte, query bool, h *header) error {
	at := s.device.root
	var written [16]int32
	depth := 0
	for rest := full; ; depth++ {
		n := 0
		for n < len(rest) && rest[n] != ':' {
			n++
		}
		name := rest[:n]
		if depth > 0 && n > 0 && name[0] == '*' {
			return SyntaxError
		}
		if err := checkMnemonic(name); err != nil {
			return err
		}
		if at != nil && depth < len(written) {
			at, written[depth] = at.step(name)
		} else {
			at = nil
		}
		if n == len(rest) {
			break
		}
		rest = rest[n+1:]
	}
	if at == nil {
		return UndefinedHeader
	}
	h.form = at.set
	if query {
		h.form = at.query
	}
	if h.form == nil {
		return UndefinedHeader
	}
	for i := range h.suffixes {
		h.suffixes[i] = 1
	}
	for i := range depth + 1 {
		number, slot := written[i], int8(-1)
		if i < len(h.form.slots) {
			slot = h.form.slots[i]
		}
		switch {
		case number < 0:
		case slot < 0 && number != 1, slot >= 0 && (number < 1 || int(number) > h.form.ranges[slot].most):
			return HeaderSuffixOutOfRange
		case slot >= 0:
			h.suffixes[slot] = number
		}
	}
	return nil
}

// step goes to the child of the given name; the number is its numeric suffix, or -1 if none was written.
func (n *node) step(name []byte) (next *node, number int32) {
	var room [maxMnemonic]byte
	folded := room[:0]
	for _, c := range name {
		folded = append(folded, upper(c))
	}
	if next = n.children[string(folded)]; next != nil {
		return next, -1
	}
	end := len(folded)
	for end > 0 && isDigit(folded[end-1]) {
		end--
	}
	next = n.children[string(folded[:end])]
	if next == nil || end == len(folded) {
		return nil, -1
	}
	for _, c := range folded[end:] {
		if number < 1<<27 {
			number = number*10 + int32(c-'0')
		}
	}
	return next, number
}

// checkMnemonic judges the characters of one mnemonic, before it is looked up.
func checkMnemonic(name []byte) error {
	if len(name) > 0 && name[0] == '*' {
		if len(name) > maxMnemonic+1 {
			return ProgramMnemonicTooLong
		}
		name = name[1:]
	} else if len(name) > maxMnemonic {
		for _, c := range name {
			if !isLetter(c) && !isDigit(c) && c != '_' {
				return headerFault(c)
			}
		}
		return ProgramMnemonicTooLong
	}
	if len(name) == 0 {
		return SyntaxError
	}
	for i, c := range name {
		if !isLetter(c) && (i == 0 || !isDigit(c) && c != '_') {
			return headerFault(c)
		}
	}
	return nil
}

// headerFault names the fault of a character that cannot stand in a mnemonic: data or a query mark run into the header,
// or a character that has no business there at all.
func headerFault(c byte) error {
	switch c {
	case '?', ',', '"', '\'', '(', ')', '#', '+', '-', '.', '=':
		return HeaderSeparatorError
	}
	if isDigit(c) || c == '_' {
		return SyntaxError
	}
	return InvalidCharacter
}

// prefix returns the session's one value for a path text.
func (s *Session) prefix(text []byte) *prefix {
	if p := s.prefixes[string(text)]; p != nil {
		return p
	}
	if len(s.prefixes) >= maxPrefixes {
		clear(s.prefixes)
		clear(s.cache[:])
	}
	p := &prefix{text: string(text)}
	for _, c := range text {
		p.seed = p.seed*31 + uint64(c)
	}
	s.prefixes[p.text] = p
	return p
}
