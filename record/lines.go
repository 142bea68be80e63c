package record

import (
	"bufio"
	"io"
)

// lines cuts a file into lines, each bounded, and tells whole ones from a torn last one.
type lines struct {
	r       *bufio.Reader
	number  int // of the line given last, from 1
	read    int64
	stopped bool // the file goes on beyond what is read
	buf     []byte
}

func newLines(r io.Reader) *lines { return &lines{r: bufio.NewReaderSize(r, 64<<10)} }

// next gives the next line without its end; whole is false where its end is missing or it is too long to be one of ours.
// The line is good until the next call. io.EOF comes after the last line.
func (l *lines) next() (line []byte, whole bool, err error) {
	if l.read > maxFile {
		l.stopped = true
		return nil, false, io.EOF
	}
	l.buf = l.buf[:0]
	l.number++
	begun := l.read
	for {
		part, err := l.r.ReadSlice('\n')
		l.read += int64(len(part))
		if len(l.buf)+len(part) <= maxLine {
			l.buf = append(l.buf, part...)
		} else if err == nil || err == io.EOF {
			return nil, false, nil
		}
		switch err {
		case bufio.ErrBufferFull:
			if l.read > maxFile || l.read-begun > 16*maxLine { // what is no line of ours is looked through for its end no further than that
				l.stopped = true
				return nil, false, io.EOF
			}
			continue
		case nil:
			return l.buf[:len(l.buf)-1], true, nil
		case io.EOF:
			if len(l.buf) == 0 {
				return nil, false, io.EOF
			}
			return l.buf, false, nil
		default:
			return nil, false, err
		}
	}
}
