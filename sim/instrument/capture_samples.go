package instrument

import "math"

// Jump makes capture a Sampler.
func (d *capture) Jump() {
	for _, t := range d.taps {
		t.jump()
	}
}

// Advance makes capture a Sampler.
func (d *capture) Advance(now, span int64) {
	for i, t := range d.taps {
		var seen func(int64, float64, float64)
		if i == 0 && (d.source == onVolts || d.source == onAmps) {
			seen = func(k int64, before, value float64) { d.look(k, before, value, now) }
		}
		t.advance(now, span, seen)
	}
	d.goOn(now)
}

// goOn goes on where enough samples are there.
func (d *capture) goOn(now int64) {
	enough := func(sample int64) bool {
		for _, t := range d.taps {
			if t.taken < sample {
				return false
			}
		}
		return true
	}
	switch {
	case d.stage == filling && enough(d.from+d.needed()):
		d.stage = waiting
		d.owner.operations()
		d.owner.world.Wake(d.owner.spec.Name, now)
		if d.source == atOnce {
			d.takeFrom(d.from, now)
		}
	case d.stage == taking && d.samples() && enough(d.first+int64(d.points)):
		d.store()
		d.owner.world.Wake(d.owner.spec.Name, now)
		d.took(now)
	}
}

// look watches for the level. The signal must have been further away than the hysteresis before it counts.
func (d *capture) look(k int64, before, value float64, now int64) {
	if d.stage == filling && k+1 >= d.from+d.needed() {
		d.stage = waiting
		d.owner.operations()
		d.owner.world.Wake(d.owner.spec.Name, now)
	}
	rises, falls := d.low && value >= d.level, d.high && value <= d.level
	if d.slope >= 0 && value < d.level-d.hysteresis {
		d.low = true
	}
	if d.slope <= 0 && value > d.level+d.hysteresis {
		d.high = true
	}
	if !rises && !falls {
		return
	}
	if rises {
		d.low = false
	}
	if falls {
		d.high = false
	}
	if d.stage != waiting {
		return
	}
	t := d.taps[0]
	ago := 0.0 // in intervals
	if value != before && !math.IsNaN(before) {
		ago = min(max((value-d.level)/(value-before), 0), 1)
	}
	d.triggered(t.time(k)-int64(ago*float64(t.interval)), now)
}

// Horizon makes capture a Sampler. A step is no longer than a quarter of what is taken, so that the end is seen in time.
func (d *capture) Horizon(now int64) int64 {
	next := now + max(d.interval*int64(d.points)/4, 50_000)
	if !d.samples() {
		next = Never
	}
	switch d.stage {
	case filling:
		next = min(next, d.filled())
	case taking:
		if d.samples() {
			next = min(next, d.timeOf(d.first+int64(d.points)-1))
		}
	}
	if next <= now {
		return Never
	}
	return next
}

// store turns what has been taken into what the instrument says: errors, noise and steps of the range.
func (d *capture) store() {
	in := d.owner
	for _, t := range d.taps {
		if !d.fed[t.function] {
			continue
		}
		c, spec := t.channel, d.converter()
		g := &c.gauges[t.function]
		r := g.present()
		m := maker{limit: r.Full * max(r.Beyond, 1)}
		if r.Beyond == 0 {
			m.limit = r.Full * 1.1
		}
		m.gain = 1 + r.Gain + r.GainPerKelvin*c.spec.Kelvin
		m.zero = r.Offset + r.OffsetPerKelvin*c.spec.Kelvin
		// The noise bandwidth of a filter of first order is pi/2 of its corner frequency, without one half the sample rate.
		band := math.Pi / 2 * spec.BandwidthHertz
		if band == 0 {
			band = 0.5e9 / float64(d.interval)
		}
		m.sigma = r.NoiseDensity * math.Sqrt(band)
		m.step = max(r.Resolution, 2*m.limit/math.Exp2(float64(spec.Bits)))
		m.steps = 1 / m.step
		if d.noise == nil {
			d.noise = newNoise(0)
		}
		d.noise.seed = in.spec.Seed.mix(Key{in.spec.Name, c.number, g.noiseName() + " of samples", d.runs<<32 | uint64(d.done)}, 4)
		row := d.rows[t.function]
		for k := range int64(d.points) {
			row = append(row, m.one(t.at(d.first+k), d.noise.volts(d.noise.bits(k))))
		}
		d.rows[t.function] = row
	}
}
