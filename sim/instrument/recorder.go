package instrument

import (
	"math"
	"strconv"
	"time"

	"fourwire/sim/circuit"
)

// Limits of a recording's interval: from memory, those of a unit with a fast converter.
const (
	leastRecordNs int64 = 10_000
	mostRecordNs  int64 = 1_000_000_000
	recordGridNs  int64 = 1_000
	usualRecordNs int64 = 1_000_000
	usualDepth          = 4_000_000
	recordBeyond        = 1.05 // part of a range that a sample may reach, where the range does not say
)

// recorder is the deep buffer of a channel with what fills it: samples that are the mean over their interval, each in the smallest range
// that holds it. All ranges measure at once, so that none is lost at a change.
//
// What waits is kept as it really is, in pieces; errors and noise come in when an answer is written.
type recorder struct {
	channel    *Channel
	withVolts  bool
	interval   int64 // ns
	top        int   // index of the largest current range
	depth      int64
	on         bool
	stream     *Stream
	recordings uint64
	noise      *noise
	voltsRange *Range

	pieces  []piece
	head    int       // of pieces
	values  []float64 // of the samples of listed pieces, amps and volts in turn
	valued  int       // of values, taken so far
	waiting int64
	next    int64 // index of the next sample
	ranged  int   // range of the last sample; -1: there is none

	taken, lost, handovers int64
	charge                 circuit.Sum // sum of the samples without their noise, A

	trouble                 loss
	vanishFrom, vanish      int64 // samples that a fault makes away with: from which on, and how many are still to go
	dropped                 float64
	answers                 uint64
	gainOf, zeroOf, limitOf []float64 // of the current ranges
}

// loss is a fault: samples of a recording vanish.
type loss struct {
	into, span time.Duration // from the beginning of the recording
	silently   bool          // the index goes on as if nothing were missing
	armed      bool
}

// piece is a run of samples of one range, with indices one behind the other.
type piece struct {
	first, count int64
	ranged       int
	listed       bool // each has its own value, in recorder.values
	run               // otherwise
}

func newRecorder(c *Channel) *recorder {
	r := &recorder{channel: c, interval: usualRecordNs, ranged: -1}
	r.reset()
	return r
}

// reset brings the settings to those of *RST; what is buffered goes.
func (r *recorder) reset() {
	r.stop()
	r.withVolts, r.interval, r.top = false, usualRecordNs, len(r.channel.spec.Amps)-1
	r.depth = int64(r.channel.spec.Depth)
	if r.depth <= 0 {
		r.depth = usualDepth
	}
	r.empty()
}

func (r *recorder) empty() {
	r.pieces, r.head, r.values, r.valued = r.pieces[:0], 0, r.values[:0], 0
	r.waiting, r.next, r.ranged = 0, 0, -1
	r.taken, r.lost, r.handovers, r.charge, r.answers = 0, 0, 0, circuit.Sum{}, 0
}

// start begins a recording at the present time.
func (r *recorder) start() {
	r.empty()
	r.recordings++
	c := r.channel
	spec := c.owner.spec
	seed := spec.Seed.mix(Key{spec.Name, c.number, "record", r.recordings}, 4)
	if r.noise == nil {
		r.noise = newNoise(seed)
	}
	r.noise.seed = seed
	r.voltsRange = c.gauges[Volts].present()
	r.gainOf, r.zeroOf, r.limitOf = r.gainOf[:0], r.zeroOf[:0], r.limitOf[:0]
	for i := range c.spec.Amps {
		g := &c.spec.Amps[i]
		gain, zero, _ := r.errors(g)
		r.gainOf, r.zeroOf = append(r.gainOf, gain), append(r.zeroOf, zero)
		r.limitOf = append(r.limitOf, limit(g))
	}
	r.vanish = 0
	r.lose()
	r.on = true
	r.stream = NewStream(c.Amps, c.Volts, r.interval, r)
	c.owner.world.Record(r.stream)
}

func limit(g *Range) float64 {
	if g.Beyond > 0 {
		return g.Full * g.Beyond
	}
	return g.Full * recordBeyond
}

// errors gives what a range makes of a true value: factor, addend, and the standard deviation of the noise at the interval.
func (r *recorder) errors(g *Range) (gain, zero, sigma float64) {
	kelvin := r.channel.spec.Kelvin
	seconds := float64(r.interval) * 1e-9
	return 1 + g.Gain + g.GainPerKelvin*kelvin, g.Offset + g.OffsetPerKelvin*kelvin,
		math.Sqrt(g.NoiseDensity*g.NoiseDensity/(2*seconds) + g.NoiseFloor*g.NoiseFloor)
}

// stop ends the recording; what waits can still be fetched.
func (r *recorder) stop() {
	if !r.on {
		return
	}
	r.on = false
	r.channel.owner.world.Unrecord(r.stream)
}

// rangeFor is the smallest range that holds a current, up to the top one.
func (r *recorder) rangeFor(amps float64) int {
	a := math.Abs(amps)
	if k := r.ranged; k >= 0 && a <= r.limitOf[k] && (k == 0 || a > r.limitOf[k-1]) {
		return k
	}
	for k := range r.top {
		if a <= r.limitOf[k] {
			return k
		}
	}
	return r.top
}

// Take makes recorder a Sink. Samples that go evenly stay together as long as one range holds them all.
func (r *recorder) Take(count int64, amps, volts, ampsStep, voltsStep float64) {
	run := run{amps, volts, ampsStep, voltsStep}
	last := run.from(count - 1)
	if count == 1 || r.oneRange(run.amps, last.amps) && r.overVolts(run.volts) == r.overVolts(last.volts) {
		r.add(count, run)
		return
	}
	for k := range count {
		r.add(1, run.from(k))
	}
}

// run is the value of a sample, and by how much each further one is more.
type run struct{ amps, volts, ampsStep, voltsStep float64 }

func (u run) from(k int64) run {
	u.amps += float64(k) * u.ampsStep
	u.volts += float64(k) * u.voltsStep
	return u
}

// oneRange tells whether the smallest range of all that lies between two currents is the same.
func (r *recorder) oneRange(from, to float64) bool {
	if (from < 0) != (to < 0) {
		from = max(math.Abs(from), math.Abs(to))
		to = 0
	}
	k := r.rangeFor(from)
	return k == r.rangeFor(to) && (math.Abs(from) > r.limitOf[k]) == (math.Abs(to) > r.limitOf[k])
}

func (r *recorder) overVolts(volts float64) bool { return math.Abs(volts) > limit(r.voltsRange) }

// lose puts a loss that is armed into the recording.
func (r *recorder) lose() {
	if !r.trouble.armed {
		return
	}
	samples := func(span time.Duration) int64 { return int64(math.Round(float64(span) / float64(r.interval))) }
	r.vanishFrom, r.vanish = max(samples(r.trouble.into), r.taken), max(samples(r.trouble.span), 1)
	r.trouble.armed = false
}

// add takes samples of one range.
func (r *recorder) add(count int64, u run) {
	if ahead := r.vanishFrom - r.taken; r.vanish > 0 && ahead > 0 && ahead < count {
		r.add(ahead, u)
		r.add(count-ahead, u.from(ahead))
		return
	}
	k := r.rangeFor(u.amps)
	if k != r.ranged {
		if r.ranged >= 0 {
			r.handovers++
		}
		r.ranged = k
	}
	vanishes := r.vanish > 0 && r.taken >= r.vanishFrom
	r.taken += count
	mean := u.amps + float64(count-1)/2*u.ampsStep
	mean = max(min(mean, r.limitOf[k]), -r.limitOf[k])
	r.charge.Add((mean*r.gainOf[k] + r.zeroOf[k]) * float64(count))
	if vanishes {
		gone := min(r.vanish, count)
		r.vanish -= gone
		count -= gone
		u = u.from(gone)
		if !r.trouble.silently {
			r.next += gone
			r.lost += gone
		}
	}
	if over := count - (r.depth - r.waiting); over > 0 {
		r.put(count-over, k, u)
		r.next += over
		r.lost += over
		return
	}
	r.put(count, k, u)
}

func (r *recorder) put(count int64, k int, u run) {
	if count <= 0 {
		return
	}
	r.waiting += count
	first := r.next
	r.next += count
	var last *piece
	if n := len(r.pieces); n > r.head {
		if last = &r.pieces[n-1]; last.ranged != k || last.first+last.count != first {
			last = nil
		}
	}
	level := u.ampsStep == 0 && u.voltsStep == 0
	switch {
	case last != nil && !last.listed && last.run == u && level:
		last.count += count
	case count > 1:
		r.pieces = append(r.pieces, piece{first, count, k, false, u})
	case last != nil && last.listed:
		last.count++
		r.values = append(r.values, u.amps, u.volts)
	default:
		r.pieces = append(r.pieces, piece{first, 1, k, true, run{}})
		r.values = append(r.values, u.amps, u.volts)
	}
}

// contiguous returns how many samples, up to most, can be had in one answer: not beyond a jump of the index.
func (r *recorder) contiguous(most int64) int64 {
	n := int64(0)
	for i := r.head; i < len(r.pieces) && n < most; i++ {
		if p := &r.pieces[i]; n > 0 && p.first != r.pieces[i-1].first+r.pieces[i-1].count {
			break
		}
		n += r.pieces[i].count
	}
	return min(n, most)
}

// first is the index of the next sample that an answer gives.
func (r *recorder) first() int64 {
	if r.head < len(r.pieces) {
		return r.pieces[r.head].first
	}
	return r.next
}

// runs says which ranges the next samples are in: "0:3,1523:5".
func (r *recorder) runs(count int64) string {
	var text []byte
	at, last := int64(0), -1
	for i := r.head; at < count; i++ {
		p := &r.pieces[i]
		if p.ranged != last {
			if at > 0 {
				text = append(text, ',')
			}
			text = strconv.AppendInt(text, at, 10)
			text = append(text, ':')
			text = strconv.AppendInt(text, int64(p.ranged+1), 10)
			last = p.ranged
		}
		at += p.count
	}
	return string(text)
}

// skip makes away with the next samples.
func (r *recorder) skip(count int64) {
	for count > 0 && r.head < len(r.pieces) {
		p := &r.pieces[r.head]
		n := min(count, p.count)
		if p.listed {
			r.valued += 2 * int(n)
		}
		count -= n
		r.consume(p, n)
	}
	r.tidy()
}

func (r *recorder) consume(p *piece, n int64) {
	p.first += n
	p.count -= n
	p.run = p.run.from(n)
	r.waiting -= n
	if p.count == 0 {
		r.head++
	}
}

// tidy frees what has been taken, so that the same memory is used again.
func (r *recorder) tidy() {
	if r.head == len(r.pieces) {
		r.pieces, r.head = r.pieces[:0], 0
		r.values, r.valued = r.values[:0], 0
		return
	}
	if r.head > 1024 && r.head > len(r.pieces)/2 {
		r.pieces = r.pieces[:copy(r.pieces, r.pieces[r.head:])]
		r.head = 0
	}
	if r.valued > 1<<16 && r.valued > len(r.values)/2 {
		r.values = r.values[:copy(r.values, r.values[r.valued:])]
		r.valued = 0
	}
}

// coulombs is the unit's own integral of the current over all samples that were taken.
func (r *recorder) coulombs() float64 { return r.charge.Value() * float64(r.interval) * 1e-9 }
