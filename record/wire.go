package record

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"
)

// Messages longer than wireWhole bytes are kept with their first wireHead bytes, or with what is before the data of a block, their length and
// their hash.
const (
	wireWhole = 4096
	wireHead  = 256
)

// Wire appends one message to wire.jsonl; sent says that it went to the instrument. at is a moment of the run's clock. It
// takes plain values, so that it can be handed to any transport. Messages longer than 4096 bytes are shortened.
func (w *Writer) Wire(at time.Time, instrument, address string, sent bool, data []byte) {
	w.WireIn(0, at, instrument, address, sent, data)
}

// WireIn is [Writer.Wire] for an instrument that several sites share: section is a number that stands for the time for which this run held it. Sections are
// counted through all runs that went on at the same time; 0 is none.
func (w *Writer) WireIn(section int64, at time.Time, instrument, address string, sent bool, data []byte) {
	var sum [sha256.Size]byte
	if len(data) > wireWhole {
		sum = sha256.Sum256(data) // not under the lock: other instruments would wait
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.done {
		return
	}
	w.line = appendWire(w.line[:0], w.started, section, at, instrument, address, sent, data, sum)
	if err := w.append(w.wire, w.line); err != nil && w.wireErr == nil {
		w.wireErr = fmt.Errorf("record wire log: %w", err)
	}
}

func appendWire(b []byte, started time.Time, section int64, at time.Time, instrument, address string, sent bool, data []byte, sum [sha256.Size]byte) []byte {
	b = append(b, `{"t":`...)
	b = strconv.AppendFloat(b, at.Sub(started).Seconds(), 'g', -1, 64)
	b = append(b, `,"time":"`...)
	b = at.AppendFormat(b, time.RFC3339Nano)
	b = append(b, `","instrument":`...)
	b = appendText(b, instrument)
	b = append(b, `,"address":`...)
	b = appendText(b, address)
	if sent {
		b = append(b, `,"dir":"out"`...)
	} else {
		b = append(b, `,"dir":"in"`...)
	}
	if section > 0 {
		b = append(b, `,"section":`...)
		b = strconv.AppendInt(b, section, 10)
	}
	head, block := data, 0
	if len(data) > wireWhole {
		if head, block = blockHead(data); block == 0 || len(head) > wireWhole || !plain(head) {
			head, block = data[:wireHead], 0
		}
	}
	if plain(head) {
		b = append(b, `,"text":`...)
		b = appendText(b, string(head))
	} else {
		b = append(b, `,"base64":"`...)
		b = base64.StdEncoding.AppendEncode(b, head)
		b = append(b, '"')
	}
	if len(head) < len(data) {
		if block > 0 {
			b = append(b, `,"block":`...)
			b = strconv.AppendInt(b, int64(block), 10)
		}
		b = append(b, `,"length":`...)
		b = strconv.AppendInt(b, int64(len(data)), 10)
		b = append(b, `,"sha256":"`...)
		b = hex.AppendEncode(b, sum[:])
		b = append(b, '"')
	}
	return append(b, '}', '\n')
}

// blockHead gives what is before the data of the first definite-length block of a message (IEEE 488.2, 8.7.9), and how many bytes of data
// that block has; 0 where there is none.
func blockHead(data []byte) (head []byte, block int) {
	quoted := false
	for i, c := range data[:min(len(data), wireWhole)] {
		switch {
		case c == '"':
			quoted = !quoted
		case c != '#' || quoted || i+2 > len(data) || data[i+1] < '1' || data[i+1] > '9':
		default:
			end := i + 2 + int(data[i+1]-'0')
			if end > len(data) {
				return data, 0
			}
			n, err := strconv.ParseUint(string(data[i+2:end]), 10, 31)
			if err != nil || n == 0 || int(n) > len(data)-end {
				return data, 0
			}
			return data[:end], int(n)
		}
	}
	return data, 0
}

// plain tells text from binary: valid UTF-8 with no control characters but tab and line ends.
func plain(data []byte) bool {
	for len(data) > 0 {
		r, n := utf8.DecodeRune(data)
		if r == utf8.RuneError && n == 1 || r < ' ' && r != '\n' && r != '\r' && r != '\t' || r == 0x7f {
			return false
		}
		data = data[n:]
	}
	return true
}

// appendText appends a JSON string.
func appendText(b []byte, s string) []byte {
	for i := 0; i < len(s); i++ {
		if c := s[i]; c < ' ' && c != '\n' && c != '\r' && c != '\t' || c == 0x7f || c >= utf8.RuneSelf {
			quoted, _ := json.Marshal(s) // a string always can be written
			return append(b, quoted...)
		}
	}
	b = append(b, '"')
	for i := 0; i < len(s); i++ {
		switch c := s[i]; c {
		case '"', '\\':
			b = append(b, '\\', c)
		case '\n':
			b = append(b, `\n`...)
		case '\r':
			b = append(b, `\r`...)
		case '\t':
			b = append(b, `\t`...)
		default:
			b = append(b, c)
		}
	}
	return append(b, '"')
}
