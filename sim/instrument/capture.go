package instrument

import (
	"math"

	"fourwire/sim/scpi"
)

// capture is sequence 2 of an instrument: samples, or single readings, around triggers into a buffer.
type capture struct {
	owner      *Instrument
	interval   int64 // ns
	points     int
	before     int // samples before the trigger
	source     trigger
	level      float64
	hysteresis float64
	slope      int // 1 rising, -1 falling, 0 either
	count      int
	delay      int64 // ns

	op      *scpi.Operation
	stage   stage
	taps    []*tap // the one that watches the trigger first
	low     bool   // the signal has been below the level, from where a rise counts
	high    bool   // it has been above
	from    int64  // sample from which on those before a trigger count
	first   int64  // first sample of what is being taken
	done    int    // triggers
	runs    uint64 // captures so far
	windows [2]*Window
	alarm   *alarm
	noise   *noise
	rows    [2][]float32 // by Function
	fed     [2]bool      // what is captured
}

// stage is how far a capture is.
type stage uint8

const (
	idle stage = iota
	filling
	waiting
	taking
)

const captureGridNs int64 = 1000

func newCapture(in *Instrument) *capture {
	d := &capture{owner: in}
	d.reset()
	return d
}

// converter is that of the instrument's first channel, whose limits hold for all.
func (d *capture) converter() *DigitiserSpec { return &d.owner.channels[0].spec.Digitiser }

// reset brings the settings to those of *RST; what was captured goes.
func (d *capture) reset() {
	d.abort()
	d.rows, d.fed = [2][]float32{}, [2]bool{}
	d.interval, d.points, d.before = int64(d.converter().Least), 1, 0
	d.source, d.level, d.hysteresis, d.slope, d.count, d.delay = atOnce, 0, 0, 1, 1, 0
}

func (d *capture) running() bool { return d.stage != idle }

// free refuses a change while a capture is under way.
func (d *capture) free() error {
	if d.running() {
		return scpi.SettingsConflict.With("a capture is under way")
	}
	return nil
}

func (d *capture) setSource(t trigger) error {
	if err := d.free(); err != nil {
		return err
	}
	if t == onOutput && !d.owner.channels[0].Powered() {
		return scpi.IllegalParameterValue
	}
	d.source = t
	return nil
}

// watches tells whether it waits for a level, which comes when it comes.
func (d *capture) watches() bool {
	return (d.stage == filling || d.stage == waiting) && (d.source == onVolts || d.source == onAmps)
}

// bits are those of the OPERation condition.
func (d *capture) bits() uint16 {
	switch d.stage {
	case filling, taking:
		return Measuring
	case waiting:
		return WaitingFor
	}
	return 0
}

// samples tells whether spot values are taken; else one integrated reading for each trigger.
func (d *capture) samples() bool { return d.points > 1 }

// start is INITiate of sequence 2.
func (d *capture) start(call *scpi.Call) error {
	in, spec := d.owner, d.converter()
	if d.running() {
		return scpi.InitIgnored
	}
	for _, c := range in.channels {
		if c.recording() || c.busy.Pending() {
			return scpi.InitIgnored
		}
	}
	most := spec.Points
	if !d.samples() {
		most = spec.Readings
	}
	switch {
	case d.points > most/d.count:
		return scpi.SettingsConflict.With("the buffer does not hold so much")
	case d.before > d.points, d.before > 0 && !d.samples():
		return scpi.SettingsConflict.With("more samples before the trigger than samples")
	}
	d.runs++
	d.done, d.from = 0, 0
	d.rows, d.fed = [2][]float32{}, [2]bool{true, true}
	if in.spec.Kind == Meter {
		d.fed = [2]bool{}
		d.fed[in.selected] = true
	}
	in.world.Observe()
	d.op = call.Device().Begin()
	d.tap(call.Now())
	d.begin(call.Now())
	return nil
}

// tap joins the converter to the signals.
func (d *capture) tap(now int64) {
	d.taps = nil
	watched := [2]bool{Volts: d.source == onVolts, Amps: d.source == onAmps}
	c, spec := d.owner.channels[0], d.converter()
	interval, keep := d.interval, d.points+2*spareSamples
	if !d.samples() { // only the trigger's signal is looked at
		if watched == [2]bool{} {
			return
		}
		interval, keep = max(int64(spec.Least), captureGridNs), 4
	}
	add := func(f Function, value func() float64, late int64) {
		t := newTap(c, f, value, spec.BandwidthHertz, interval, now+interval+late, keep)
		d.taps = append(d.taps, t)
		if watched[f] {
			d.taps[0], d.taps[len(d.taps)-1] = t, d.taps[0]
		}
	}
	if watched[Volts] || d.samples() && d.fed[Volts] {
		add(Volts, c.Volts, 0)
	}
	if watched[Amps] || d.samples() && d.fed[Amps] {
		add(Amps, c.Amps, int64(spec.Skew))
	}
	d.owner.world.Sample(d)
}

// begin waits for the next trigger, once the samples before it are there.
func (d *capture) begin(now int64) {
	d.stage = waiting
	if d.before > 0 {
		d.stage = filling
		d.wake(d.filled())
	}
	d.low, d.high = false, false
	if d.stage == waiting && d.source == atOnce {
		d.takeFrom(d.from, now)
	}
	d.owner.operations()
}

func (d *capture) wake(at int64) { d.alarm = d.owner.wakeAt(at, func(int64) {}) }

// late is by how much the last tap is behind the first.
func (d *capture) late() (late int64) {
	for _, t := range d.taps {
		late = max(late, t.start-d.taps[0].start)
	}
	return late
}

func (d *capture) timeOf(sample int64) int64 { return d.taps[0].time(sample) + max(d.late(), 0) }

// filled is when the samples before a trigger are there.
func (d *capture) filled() int64 { return d.timeOf(d.from + d.needed() - 1) }

// needed is how many samples must be there before a trigger counts.
func (d *capture) needed() int64 {
	if d.before == 0 {
		return 0
	}
	return int64(d.before) + spareSamples
}

// spareSamples are those by which a trigger may be recognised too early.
const spareSamples = 2

// trigger is a trigger at the present time; false where none is waited for.
func (d *capture) trigger(now int64) bool {
	if d.stage != waiting {
		return false
	}
	d.triggered(now, now)
	return true
}

// triggered has the capture take its samples or its reading around a trigger. The trigger is recognised with an uncertainty of one sample: the
// nearest one to a time that is wrong by up to half an interval.
func (d *capture) triggered(at, now int64) {
	d.owner.pulse(pulseCapture, at)
	if !d.samples() {
		d.read(at, now)
		return
	}
	spec := &d.owner.spec
	off := spec.Seed.Uniform(Key{spec.Name, 1, "trigger jitter", d.runs<<32 | uint64(d.done)})
	t := d.taps[0]
	sample := int64(math.Round(float64(at-t.start)/float64(t.interval) + off/2))
	d.takeFrom(max(sample-int64(d.before), d.from), now)
}

// takeFrom takes samples from one on, moved by the delay.
func (d *capture) takeFrom(first, now int64) {
	if !d.samples() {
		d.owner.pulse(pulseCapture, now)
		d.read(now, now)
		return
	}
	if d.source == atOnce {
		d.owner.pulse(pulseCapture, now)
	}
	d.first = first + (d.delay+d.interval/2)/d.interval
	d.stage = taking
	for _, t := range d.taps {
		t.until = d.first + int64(d.points)
	}
	d.wake(max(d.timeOf(d.first+int64(d.points)-1), now))
	d.owner.operations()
}

// read takes one integrated reading after the delay.
func (d *capture) read(at, now int64) {
	in := d.owner
	d.stage = taking
	in.operations()
	c := in.channels[0]
	begin := max(at+d.delay, now)
	aperture := int64(0)
	for f := range d.windows {
		if d.fed[f] {
			aperture = max(aperture, int64(c.gauges[f].aperture))
		}
	}
	open := func(int64) {
		for f, value := range [2]func() float64{c.Volts, c.Amps} {
			if d.fed[f] {
				d.windows[f] = NewWindow(value)
				in.world.Watch(d.windows[f])
			}
		}
		d.alarm = in.wakeAt(begin+aperture, d.readOut)
	}
	if begin == now {
		open(now)
		return
	}
	d.alarm = in.wakeAt(begin, open)
}

// readOut ends a reading.
func (d *capture) readOut(now int64) {
	in := d.owner
	c := in.channels[0]
	for f, w := range d.windows {
		if w == nil {
			continue
		}
		in.world.Unwatch(w)
		g := &c.gauges[f]
		d.rows[f] = append(d.rows[f], float32(g.read(w.Mean()+c.rippled(Function(f)), in.spec.Seed, in.spec.Name, c.number, c.spec.Kelvin)))
		d.windows[f] = nil
	}
	d.took(now)
}

// took ends what one trigger gave.
func (d *capture) took(now int64) {
	if d.done++; d.done >= d.count {
		d.finish()
		return
	}
	for _, t := range d.taps {
		t.resume(now)
		d.from = max(d.from, t.taken)
	}
	d.begin(now)
}

func (d *capture) finish() {
	d.stop()
	d.owner.operations()
}

// stop ends the capture; the rows stay.
func (d *capture) stop() {
	in := d.owner
	for f, w := range d.windows {
		if w != nil {
			in.world.Unwatch(w)
			d.windows[f] = nil
		}
	}
	if d.taps != nil {
		in.world.Unsample(d)
		d.taps = nil
	}
	in.cancel(d.alarm)
	d.stage, d.alarm = idle, nil
	op := d.op
	d.op = nil
	op.End()
}

// abort ends a capture that is under way; there is nothing to fetch then.
func (d *capture) abort() {
	if !d.running() {
		return
	}
	d.stop()
	d.rows, d.fed = [2][]float32{}, [2]bool{}
	d.owner.operations()
}
