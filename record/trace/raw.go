package trace

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
)

// The raw file: rawMagic, then the head as JSON with its length before and its CRC behind it, then chunks. All numbers are little-endian,
// every CRC is CRC-32C (Castagnoli).
//
// A chunk begins with 28 bytes: "CHNK", start (8), count (4), bytes behind these 28 (4), CRC of those (4), CRC of the 24 before (4). Behind
// them, per signal: number of runs (4), each run's offset (4) and range (4), then count counts of 4 bytes.
const (
	rawMagic    = "fourwire raw trace/1\n"
	chunkMagic  = "CHNK"
	chunkHead   = 28
	maxChunk    = 1 << 18 // samples; more are cut into several chunks
	maxHeadJSON = 1 << 20
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// counts is a block of samples as they are kept.
type counts struct {
	start  int64
	values [][]int32 // per signal
	runs   [][]Run
}

func (c *counts) count() int { return len(c.values[0]) }

func rawHead(h Head) ([]byte, error) {
	text, err := json.Marshal(h)
	if err != nil {
		return nil, err
	}
	b := append([]byte(rawMagic), binary.LittleEndian.AppendUint32(nil, uint32(len(text)))...)
	b = append(b, text...)
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(text, castagnoli)), nil
}

// errNoNumber says that a block has values that cannot be kept.
var errNoNumber = errors.New("a sample has no value")

// firstWithout finds the first sample of which a signal has no value; it is to where all have.
func firstWithout(s *Samples, from, to int, scales []scale) int {
	scratch := make([]byte, 4*(to-from))
	for i := range scales {
		for at := from; at < to; {
			step, end := scales[i].steps[0], to
			for k, r := range s.Runs[i] {
				if r.At <= at {
					step, end = scales[i].steps[r.Range], to
				}
				if k+1 < len(s.Runs[i]) && s.Runs[i][k+1].At > at {
					end = min(to, s.Runs[i][k+1].At)
					break
				}
			}
			if _, bad := countInto(scratch, s.Values[i][at:end], step); bad >= 0 {
				to = at + bad
			}
			at = end
		}
	}
	return to
}

// appendChunk appends samples of a block as one chunk, and gives each signal's sum.
func appendChunk(b []byte, s *Samples, from, to int, scales []scale, sums *[maxSignals]Sum) ([]byte, error) {
	at := len(b)
	b = append(b, make([]byte, chunkHead)...)
	for i := range scales {
		var err error
		if b, sums[i], err = appendSignal(b, s.Values[i][from:to], s.Runs[i], from, &scales[i]); err != nil {
			return b[:at], err
		}
	}
	head, body := b[at:at+chunkHead], b[at+chunkHead:]
	copy(head, chunkMagic)
	binary.LittleEndian.PutUint64(head[4:], uint64(s.Start+int64(from)))
	binary.LittleEndian.PutUint32(head[12:], uint32(to-from))
	binary.LittleEndian.PutUint32(head[16:], uint32(len(body)))
	binary.LittleEndian.PutUint32(head[20:], crc32.Checksum(body, castagnoli))
	binary.LittleEndian.PutUint32(head[24:], crc32.Checksum(head[:24], castagnoli))
	return b, nil
}

// onlyRange is the run of a signal that has one range.
var onlyRange = []Run{{}}

// appendSignal appends runs and counts of one signal. The runs are those of the whole block, of which values begin at offset.
func appendSignal(b []byte, values []float32, runs []Run, offset int, sc *scale) ([]byte, Sum, error) {
	var sum Sum
	if len(runs) == 0 {
		runs = onlyRange
	}
	first := 0
	for first+1 < len(runs) && runs[first+1].At <= offset {
		first++
	}
	last := first + 1
	for last < len(runs) && runs[last].At < offset+len(values) {
		last++
	}
	mine := runs[first:last]
	b = binary.LittleEndian.AppendUint32(b, uint32(len(mine)))
	for _, r := range mine {
		b = binary.LittleEndian.AppendUint32(b, uint32(max(0, r.At-offset)))
		b = binary.LittleEndian.AppendUint32(b, uint32(r.Range))
	}
	at := len(b)
	b = grow(b, 4*len(values))
	for k, r := range mine {
		lo, hi := max(0, r.At-offset), len(values)
		if k+1 < len(mine) {
			hi = mine[k+1].At - offset
		}
		total, bad := countInto(b[at+4*lo:at+4*hi], values[lo:hi], sc.steps[r.Range])
		if bad >= 0 {
			return b, sum, errNoNumber
		}
		sum = sum.Plus(product(total, sc.multiples[r.Range]))
	}
	return b, sum, nil
}

func grow(b []byte, n int) []byte {
	if cap(b)-len(b) < n {
		b = append(make([]byte, 0, 2*(len(b)+n)), b...)
	}
	return b[:len(b)+n]
}

// countInto writes the counts of values and gives their sum; bad is where the first stands that has none, else -1.
func countInto(b []byte, values []float32, step float64) (total int64, bad int) {
	// adding and taking away 1.5*2^52 rounds to the nearest whole number, ties to even, at a fifth of the cost of math.RoundToEven
	const rounder = 3 << 51
	inverse := 1 / step
	for i, v := range values {
		x := float64(v)*inverse + rounder - rounder
		if !(x >= -MaxCounts && x <= MaxCounts) {
			return total, i
		}
		c := int32(x)
		total += int64(c)
		binary.LittleEndian.PutUint32(b[4*i:4*i+4], uint32(c))
	}
	return total, -1
}

// rawReader reads the chunks of a raw file, damaged ones and a torn end left out.
type rawReader struct {
	head    Head
	r       *bufio.Reader
	scales  []scale
	next    int64 // the lowest start that the next chunk may have
	body    []byte
	block   counts
	damaged int64 // bytes that were left out in the middle
	torn    int64 // bytes at the end that are no whole chunk
}

func newRawReader(r io.Reader) (*rawReader, error) {
	br := bufio.NewReaderSize(r, 1<<16)
	begin := make([]byte, len(rawMagic)+4)
	if _, err := io.ReadFull(br, begin); err != nil || string(begin[:len(rawMagic)]) != rawMagic {
		return nil, errors.New("it does not begin as a raw trace does")
	}
	n := binary.LittleEndian.Uint32(begin[len(rawMagic):])
	if n > maxHeadJSON {
		return nil, fmt.Errorf("its head has %d bytes, more than %d", n, maxHeadJSON)
	}
	text := make([]byte, n+4)
	if _, err := io.ReadFull(br, text); err != nil {
		return nil, errors.New("its head is torn")
	}
	if crc32.Checksum(text[:n], castagnoli) != binary.LittleEndian.Uint32(text[n:]) {
		return nil, errors.New("its head was damaged")
	}
	out := &rawReader{r: br}
	if err := json.Unmarshal(text[:n], &out.head); err != nil {
		return nil, fmt.Errorf("its head cannot be read: %w", err)
	}
	var err error
	if out.head, err = out.head.checked(); err != nil {
		return nil, err
	}
	if out.scales, err = scales(out.head); err != nil {
		return nil, err
	}
	out.block.values, out.block.runs = make([][]int32, len(out.scales)), make([][]Run, len(out.scales))
	return out, nil
}

// read gives the next chunk, which is good until the call after; io.EOF behind the last.
func (r *rawReader) read() (*counts, error) {
	for {
		head, err := r.r.Peek(chunkHead)
		if err != nil && err != io.EOF && !errors.Is(err, io.ErrUnexpectedEOF) {
			return nil, err
		}
		if len(head) < chunkHead {
			n, _ := r.r.Discard(len(head))
			r.torn += int64(n)
			return nil, io.EOF
		}
		start, count := int64(binary.LittleEndian.Uint64(head[4:])), int(binary.LittleEndian.Uint32(head[12:]))
		size, sum := int(binary.LittleEndian.Uint32(head[16:])), binary.LittleEndian.Uint32(head[20:])
		if string(head[:4]) != chunkMagic || crc32.Checksum(head[:24], castagnoli) != binary.LittleEndian.Uint32(head[24:]) ||
			start < r.next || start > math.MaxInt64-maxChunk || count == 0 || count > maxChunk || size < len(r.scales)*(12+4*count) || size > len(r.scales)*(4+12*maxChunk) {
			r.skip()
			continue
		}
		if cap(r.body) < size {
			r.body = make([]byte, size)
		}
		r.body = r.body[:size]
		_, _ = r.r.Discard(chunkHead) // it has been looked at
		if n, err := io.ReadFull(r.r, r.body); err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF) {
			r.torn += int64(chunkHead + n)
			return nil, io.EOF
		} else if err != nil {
			return nil, err
		}
		if crc32.Checksum(r.body, castagnoli) != sum || !r.decode(count) {
			r.damaged += int64(chunkHead + size)
			continue
		}
		r.block.start, r.next = start, start+int64(count)
		return &r.block, nil
	}
}

// skip goes on to what may be the beginning of a chunk.
func (r *rawReader) skip() {
	_, _ = r.r.Discard(1) // it was peeked
	n := 1
	for {
		ahead, err := r.r.Peek(max(len(chunkMagic), min(r.r.Buffered(), 1<<16)))
		if at := bytes.Index(ahead, []byte(chunkMagic)); at >= 0 {
			_, _ = r.r.Discard(at)
			r.damaged += int64(n + at)
			return
		}
		if err != nil { // the end: whatever this was, it is what a torn write leaves
			_, _ = r.r.Discard(len(ahead))
			r.torn += int64(n + len(ahead))
			return
		}
		k := len(ahead) - len(chunkMagic) + 1
		_, _ = r.r.Discard(k)
		n += k
	}
}

// decode takes a chunk's body apart.
func (r *rawReader) decode(count int) bool {
	b := r.body
	for i := range r.scales {
		if len(b) < 4 {
			return false
		}
		n := int(binary.LittleEndian.Uint32(b))
		b = b[4:]
		if n == 0 || n > count || len(b) < 8*n+4*count {
			return false
		}
		runs := r.block.runs[i][:0]
		for k := range n {
			at, rg := binary.LittleEndian.Uint32(b[8*k:]), binary.LittleEndian.Uint32(b[8*k+4:])
			if k == 0 && at != 0 || k > 0 && int(at) <= runs[k-1].At || int(at) >= count || int(rg) >= len(r.scales[i].steps) {
				return false
			}
			runs = append(runs, Run{int(at), uint8(rg)})
		}
		b = b[8*n:]
		if cap(r.block.values[i]) < count {
			r.block.values[i] = make([]int32, count)
		}
		values := r.block.values[i][:count]
		for k := range values {
			values[k] = int32(binary.LittleEndian.Uint32(b[4*k : 4*k+4]))
			if values[k] > MaxCounts || values[k] < -MaxCounts {
				return false
			}
		}
		r.block.runs[i], r.block.values[i] = runs, values
		b = b[4*count:]
	}
	return len(b) == 0
}
