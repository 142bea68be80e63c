package scpi

import (
	"fmt"
	"strings"
)

// keyword is one mnemonic in its two valid spellings, upper case.
type keyword struct {
	long, short string
}

// parseKeyword reads a mnemonic written the SCPI way, the short form in capitals: "VOLTage".
func parseKeyword(text string) (keyword, error) {
	n := 0
	for n < len(text) && !('a' <= text[n] && text[n] <= 'z') {
		n++
	}
	k := keyword{long: strings.ToUpper(text), short: text[:n]}
	switch {
	case n == 0:
		return k, fmt.Errorf("keyword %q: the short form is missing; write it in capitals, as in VOLTage", text)
	case len(text) > maxMnemonic:
		return k, fmt.Errorf("keyword %q: %d characters, at most %d are allowed", text, len(text), maxMnemonic)
	case strings.ToLower(text[n:]) != text[n:]:
		return k, fmt.Errorf("keyword %q: capitals after the short form %q", text, k.short)
	}
	for i := range len(text) {
		if c := upper(text[i]); !isLetter(c) && (i == 0 || !isDigit(c) && c != '_') {
			return k, fmt.Errorf("keyword %q: %q is not allowed in a keyword", text, text[i])
		}
	}
	return k, nil
}

// regular tells whether the short form follows the rule of SCPI-1999 volume 1 clause 6.2.1: up to four letters are all
// kept; otherwise four, or three if the fourth is a vowel.
func (k keyword) regular() bool {
	want := k.long
	if len(want) > 4 {
		want = want[:4]
		if strings.IndexByte("AEIOU", want[3]) >= 0 {
			want = want[:3]
		}
	}
	return k.short == want
}

// matches compares without regard to case.
func (k keyword) matches(text []byte) bool {
	return equalFold(text, k.short) || equalFold(text, k.long)
}

// equalFold compares text with a word in upper case.
func equalFold(text []byte, word string) bool {
	if len(text) != len(word) {
		return false
	}
	for i, c := range text {
		if upper(c) != word[i] {
			return false
		}
	}
	return true
}

const maxMnemonic = 12 // IEEE 488.2 clause 7.6.1.4

func upper(c byte) byte {
	if 'a' <= c && c <= 'z' {
		return c - ('a' - 'A')
	}
	return c
}

func isLetter(c byte) bool { c |= 0x20; return 'a' <= c && c <= 'z' }
func isDigit(c byte) bool  { return c-'0' <= 9 }
