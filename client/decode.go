package client

import (
	"bufio"
	"errors"
	"io"
	"strconv"
	"strings"
	"time"
)

// maxMessage bounds one event.
const maxMessage = 8 << 20

var errLong = errors.New("an event is longer than any of a daemon")

// message is one event of a stream: what a daemon sends between two empty lines.
type message struct {
	id, kind, data string
	retry          time.Duration // 0: not said
}

// decoder reads a stream of events as the HTML Living Standard has it (9.2.6, interpreting an event stream).
type decoder struct {
	from  *bufio.Reader
	line  []byte
	begun bool   // a line has been read
	cr    bool   // the last line ended with CR: a LF that follows belongs to it
	heard func() // told of every line; nil: nobody
}

func newDecoder(r io.Reader) *decoder {
	return &decoder{from: bufio.NewReaderSize(r, 16<<10)}
}

// next gives the next event that has an id, data or a pause; what is broken off at the end of the stream is none.
func (d *decoder) next() (message, error) {
	var m message
	var data strings.Builder
	any := false
	for size := 0; ; {
		line, err := d.read()
		if err != nil {
			return message{}, err
		}
		if d.heard != nil {
			d.heard()
		}
		if line == "" {
			if any {
				m.data = strings.TrimSuffix(data.String(), "\n")
				return m, nil
			}
			m, size = message{}, 0
			continue
		}
		if size += len(line); size > maxMessage {
			return message{}, errLong
		}
		field, value, _ := strings.Cut(line, ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "event":
			m.kind = value
		case "data":
			data.WriteString(value + "\n")
			any = true
		case "id":
			if !strings.ContainsRune(value, 0) {
				m.id = value
				any = any || value != ""
			}
		case "retry":
			if ms, err := strconv.ParseUint(value, 10, 31); err == nil && value[0] != '+' {
				m.retry = time.Duration(ms) * time.Millisecond
				any = true
			}
		}
	}
}

// read gives one line without its end, which is LF, CR or CR LF.
func (d *decoder) read() (string, error) {
	d.line = d.line[:0]
	for {
		b, err := d.from.ReadByte()
		switch {
		case err != nil:
			return "", err // what has no end is not a line yet
		case b == '\n' && d.cr:
			d.cr = false
		case b == '\n' || b == '\r':
			d.cr = b == '\r'
			text := string(d.line)
			if !d.begun { // a mark of the byte order is no part of it
				d.begun, text = true, strings.TrimPrefix(text, "\ufeff")
			}
			return text, nil
		case len(d.line) >= maxMessage:
			return "", errLong
		default:
			d.cr = false
			d.line = append(d.line, b)
		}
	}
}
