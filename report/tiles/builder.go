package tiles

import (
	"encoding/base64"
	"errors"
	"math"
	"sync"
	"sync/atomic"

	"fourwire/record/trace"
)

// counts is a chunk of samples that is being filled.
type counts struct {
	start   int64
	n       int
	present int
	values  [][]int32 // per signal
	ranges  [][]uint8
}

func newCounts(x *Index) *counts {
	c := &counts{}
	for range x.Signals {
		c.values = append(c.values, make([]int32, chunkSlots))
		c.ranges = append(c.ranges, make([]uint8, chunkSlots))
	}
	return c
}

// begin empties the chunk and says which samples it is for.
func (c *counts) begin(start int64, n int) {
	c.start, c.n, c.present = start, n, 0
	for i := range c.values {
		if cap(c.values[i]) < n {
			c.values[i], c.ranges[i] = make([]int32, n), make([]uint8, n)
		}
		c.values[i], c.ranges[i] = c.values[i][:n], c.ranges[i][:n]
		for k := range c.values[i] {
			c.values[i][k] = Missing
		}
		clear(c.ranges[i])
	}
}

// take copies samples from..to of a block, which all belong into the chunk.
func (c *counts) take(x *Index, s *trace.Samples, from, to int) {
	at := int(s.Start + int64(from) - c.start)
	for i, signal := range x.Signals {
		values, ranges := c.values[i][at:], c.ranges[i][at:]
		eachRun(s.Runs[i], from, to, func(a, b int, r uint8) {
			inverse := 1 / signal.Steps[r]
			for k, v := range s.Values[i][a:b] {
				values[a-from+k] = round(float64(v) * inverse)
				ranges[a-from+k] = r
			}
		})
	}
	c.present += to - from
}

func (c *counts) encode(to []byte) []byte {
	for i := range c.values {
		to = appendBytes(appendCounts(to, c.values[i]), c.ranges[i])
	}
	return to
}

// round gives the nearest whole number; samples have at most some 10^7 counts.
func round(x float64) int32 {
	if x < 0 {
		return int32(x - 0.5)
	}
	return int32(x + 0.5)
}

// eachRun visits the pieces of from..to that are in one range.
func eachRun(runs []trace.Run, from, to int, visit func(from, to int, r uint8)) {
	for k, run := range runs {
		end := to
		if k+1 < len(runs) {
			end = min(to, runs[k+1].At)
		}
		if start := max(from, run.At); start < end {
			visit(start, end, run.Range)
		}
	}
}

// bins is a chunk of bins that is being filled.
type bins struct {
	samples  int64 // of a bin
	slots    int64
	chunk    int64 // -1: none yet
	n        int
	count    []int32
	min, max [][]float64
	sum      [][]float64 // base steps
	cross    []float64
	used     bool

	small   []float32
	shorter []float64
}

func newBins(x *Index, l Level) *bins {
	b := &bins{samples: l.Samples, slots: l.Slots, chunk: -1, count: make([]int32, l.Slots), cross: make([]float64, l.Slots)}
	for range x.Signals {
		b.min, b.max = append(b.min, make([]float64, l.Slots)), append(b.max, make([]float64, l.Slots))
		b.sum = append(b.sum, make([]float64, l.Slots))
	}
	return b
}

func (b *bins) begin(x *Index, chunk int64) {
	b.chunk, b.used = chunk, false
	b.n = int(min(b.slots, (x.Len+b.samples-1)/b.samples-chunk*b.slots))
	clear(b.count)
	clear(b.cross)
	for i := range b.min {
		clear(b.sum[i])
		for k := range b.min[i] {
			b.min[i][k], b.max[i][k] = math.Inf(1), math.Inf(-1)
		}
	}
}

func (b *bins) encode(to []byte, cross bool) []byte {
	to = appendCounts(to, b.count[:b.n])
	for i := range b.min {
		b.small = b.small[:0]
		for _, x := range b.min[i][:b.n] {
			b.small = append(b.small, below(x))
		}
		to = appendFloats(to, b.small)
		b.small = b.small[:0]
		for _, x := range b.max[i][:b.n] {
			b.small = append(b.small, above(x))
		}
		to = appendFloats(to, b.small)
		to = appendDoubles(to, b.sum[i][:b.n])
	}
	if cross {
		b.shorter = b.shorter[:0]
		for _, x := range b.cross[:b.n] {
			b.shorter = append(b.shorter, shorter(x))
		}
		to = appendDoubles(to, b.shorter)
	}
	return to
}

// builder reads the trace once and fills all levels.
type builder struct {
	*Index
	folder string
	keep   []bool // chunks of samples; nil: all
	raw    *counts
	rawAt  int64 // chunk that raw is for; -1: none
	levels []*bins
	groups []group

	pending chan job
	workers sync.WaitGroup
	bytes   atomic.Int64
	files   atomic.Int64
	mu      sync.Mutex // guards failed
	failed  error
	free    chan []byte
}

// group is the chunks that go into the next file of a level.
type group struct {
	payload []byte
	chunks  int64
	file    int64
}

type job struct {
	prefix  string
	number  int64
	payload []byte
}

const workers = 2

func newBuilder(x *Index, folder string, keep []bool) *builder {
	b := &builder{Index: x, folder: folder, keep: keep, raw: newCounts(x), rawAt: -1, groups: make([]group, len(x.Levels)), pending: make(chan job, workers), free: make(chan []byte, 2*workers+2)}
	for _, l := range x.Levels {
		if l.Samples > 1 {
			b.levels = append(b.levels, newBins(x, l))
		}
	}
	return b
}

func (b *builder) run(t *trace.Trace) error {
	for range workers {
		p, err := newPacker()
		if err != nil {
			return err
		}
		b.workers.Go(func() { b.work(p) })
	}
	err := b.read(t)
	if err == nil {
		b.finish()
	}
	close(b.pending)
	b.workers.Wait()
	b.Files, b.Bytes = int(b.files.Load()), b.bytes.Load()
	return errors.Join(err, b.failed)
}

func (b *builder) work(p *packer) {
	for j := range b.pending {
		n, err := p.file(b.folder, b.Name, j.prefix, j.number, j.payload)
		b.bytes.Add(n)
		b.files.Add(1)
		if err != nil {
			b.mu.Lock()
			b.failed = errors.Join(b.failed, err)
			b.mu.Unlock()
		}
		select {
		case b.free <- j.payload[:0]:
		default:
		}
	}
}

func (b *builder) read(t *trace.Trace) error {
	for s, err := range t.Blocks(nil, 0, b.Len) {
		if err != nil {
			return err
		}
		for from := 0; from < s.Count; {
			index := s.Start + int64(from)
			to := int(min(int64(s.Count), int64(from)+chunkSlots-index%chunkSlots))
			b.samples(s, from, to)
			b.bins(s, from, to)
			from = to
		}
	}
	return nil
}

// samples takes a piece of a block that lies in one chunk of samples.
func (b *builder) samples(s *trace.Samples, from, to int) {
	if b.Levels[0].Samples > 1 {
		return
	}
	chunk := (s.Start + int64(from)) / b.Levels[0].Slots
	if b.keep != nil && !b.keep[chunk] {
		return
	}
	if chunk != b.rawAt {
		b.flushRaw()
		b.rawAt = chunk
		start := chunk * b.Levels[0].Slots
		b.raw.begin(start, int(min(b.Levels[0].Slots, b.Len-start)))
	}
	b.raw.take(b.Index, s, from, to)
	b.Samples += int64(to - from)
}

func (b *builder) flushRaw() {
	if b.rawAt >= 0 {
		b.add(0, b.rawAt, b.raw.encode)
	}
	b.rawAt = -1
}

// bins takes a piece of a block into the finest level of bins, and hands those on.
func (b *builder) bins(s *trace.Samples, from, to int) {
	if len(b.levels) == 0 {
		return
	}
	finest := b.levels[0]
	for from < to {
		index := s.Start + int64(from)
		bin := index / finest.samples
		end := int(min(int64(to), int64(from)+(bin+1)*finest.samples-index))
		b.place(0, bin)
		at := bin % finest.slots
		finest.count[at] += int32(end - from)
		for i, signal := range b.Signals {
			least, most, sum := float32(math.Inf(1)), float32(math.Inf(-1)), int64(0)
			eachRun(s.Runs[i], from, end, func(a, z int, r uint8) {
				inverse, part := 1/signal.Steps[r], int64(0)
				for _, v := range s.Values[i][a:z] {
					least, most = min(least, v), max(most, v)
					part += int64(round(float64(v) * inverse))
				}
				sum += part * int64(signal.Multiples[r])
			})
			finest.min[i][at], finest.max[i][at] = min(finest.min[i][at], float64(least)), max(finest.max[i][at], float64(most))
			finest.sum[i][at] += float64(sum)
		}
		if b.Cross {
			finest.cross[at] += b.product(s, from, end)
		}
		from = end
	}
}

// product is the sum of current times voltage, SI, of the values as they are kept: those of a block are rounded to 32-bit floats.
func (b *builder) product(s *trace.Samples, from, to int) float64 {
	sum := 0.0
	eachRun(s.Runs[b.Current], from, to, func(from, to int, i uint8) {
		step := b.Signals[b.Current].Steps[i]
		eachRun(s.Runs[b.Voltage], from, to, func(from, to int, v uint8) {
			up := b.Signals[b.Voltage].Steps[v]
			part, ia, iv := 0.0, 1/step, 1/up
			amps, volts := s.Values[b.Current][from:to], s.Values[b.Voltage][from:to]
			for k, x := range volts {
				part += float64(round(float64(x)*iv)) * float64(round(float64(amps[k])*ia))
			}
			sum += part * step * up
		})
	})
	return sum
}

// place makes sure that the chunk under way of a level is the one that holds a bin.
func (b *builder) place(level int, bin int64) {
	l := b.levels[level]
	if chunk := bin / l.slots; chunk != l.chunk {
		b.flushBins(level)
		l.begin(b.Index, chunk)
	}
	l.used = true
}

// flushBins hands the chunk under way of a level to its file, and its bins to the next coarser level.
func (b *builder) flushBins(level int) {
	l := b.levels[level]
	if l.chunk < 0 || !l.used {
		return
	}
	if level+1 < len(b.levels) {
		up := b.levels[level+1]
		for k := range l.n {
			if l.count[k] == 0 {
				continue
			}
			bin := (l.chunk*l.slots + int64(k)) * l.samples / up.samples
			b.place(level+1, bin)
			at := bin % up.slots
			up.count[at] += l.count[k]
			up.cross[at] += l.cross[k]
			for i := range l.min {
				up.min[i][at], up.max[i][at] = min(up.min[i][at], l.min[i][k]), max(up.max[i][at], l.max[i][k])
				up.sum[i][at] += l.sum[i][k]
			}
		}
	}
	b.add(len(b.Levels)-len(b.levels)+level, l.chunk, func(to []byte) []byte { return l.encode(to, b.Cross) })
	l.chunk = -1
}

// add puts a chunk into the next file of a level, or into the page.
func (b *builder) add(level int, chunk int64, encode func([]byte) []byte) {
	l, g := &b.Levels[level], &b.groups[level]
	if l.Group == 0 {
		l.Data = base64.StdEncoding.EncodeToString(encode(nil))
		return
	}
	if g.payload == nil {
		select {
		case g.payload = <-b.free:
		default:
			g.payload = make([]byte, 0, 1<<20)
		}
	}
	g.payload = encode(g.payload)
	g.chunks++
	if n := len(l.Runs); n > 0 && l.Runs[n-2]+l.Runs[n-1] == chunk {
		l.Runs[n-1]++
	} else {
		l.Runs = append(l.Runs, chunk, 1)
	}
	if g.chunks == l.Group {
		b.hand(level)
	}
}

// hand gives a file to the workers.
func (b *builder) hand(level int) {
	g := &b.groups[level]
	if g.chunks > 0 {
		b.pending <- job{b.Levels[level].Prefix, g.file, g.payload}
		g.file++
	}
	g.payload, g.chunks = nil, 0
}

func (b *builder) finish() {
	b.flushRaw()
	for k := range b.levels {
		b.flushBins(k)
	}
	for k := range b.Levels {
		b.hand(k)
	}
}
