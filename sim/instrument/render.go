package instrument

import (
	"encoding/binary"
	"math"

	"fourwire/sim/scpi"
)

// maker turns true means of one function and range into what the unit says: errors, noise, resolution.
type maker struct {
	gain, zero, sigma float64
	steps, step       float64 // per unit, and its inverse; 0: no resolution
	limit             float64
}

// toNearest rounds a number below 2^51 to the nearest integer when it is added and taken away again.
const toNearest = 3 << 51

func (r *recorder) maker(g *Range) maker {
	m := maker{limit: limit(g)}
	m.gain, m.zero, m.sigma = r.errors(g)
	if g.Resolution > 0 {
		m.steps, m.step = 1/g.Resolution, g.Resolution
	}
	return m
}

// base is the value without noise; ok is false beyond the end of the range, where it is SCPI's infinity.
func (m *maker) base(mean float64) (value float64, ok bool) {
	if math.Abs(mean) > m.limit {
		return math.Copysign(scpi.Infinity, mean), false
	}
	return mean*m.gain + m.zero, true
}

func (m *maker) read(base, noise float64) float32 {
	y := base + m.sigma*noise
	if m.steps > 0 {
		y = (y*m.steps + toNearest - toNearest) * m.step
	}
	return float32(y)
}

// render takes the next samples out of the buffer and writes them into a block, four bytes a value. There must be so many.
func (r *recorder) render(block []byte, swapped bool) {
	size := int64(4)
	if r.withVolts {
		size = 8
	}
	volts := r.maker(r.voltsRange)
	for left := int64(len(block)) / size; left > 0; {
		p := &r.pieces[r.head]
		n := min(left, p.count)
		amps := r.maker(&r.channel.spec.Amps[p.ranged])
		part := block[:n*size]
		switch {
		case p.listed:
			r.list(part, p.first, &amps, &volts)
		case !r.withVolts && p.ampsStep == 0:
			r.level(part, p, &amps)
		default:
			r.even(part, p, &amps, &volts)
		}
		if !swapped {
			turn(part)
		}
		block = block[n*size:]
		left -= n
		r.consume(p, n)
	}
	r.tidy()
}

// level writes samples of one true current.
func (r *recorder) level(block []byte, p *piece, amps *maker) {
	m, noise, first := *amps, r.noise, p.first
	base, ok := m.base(p.amps)
	if !ok {
		m.sigma, m.steps = 0, 0
	}
	for k := 0; len(block) >= 4; k++ {
		binary.LittleEndian.PutUint32(block, math.Float32bits(m.read(base, noise.amps(noise.bits(first+int64(k))))))
		block = block[4:]
	}
}

// even writes samples whose current and voltage go evenly, or stay.
func (r *recorder) even(block []byte, p *piece, amps, volts *maker) {
	m, v, noise, first := *amps, *volts, r.noise, p.first
	from, upto := p.run, p.run.from(p.count-1)
	base, okA := m.base(from.amps)
	step := from.ampsStep * m.gain
	if _, ok := m.base(upto.amps); !okA || !ok {
		base, _ = m.base(math.Copysign(math.MaxFloat64, from.amps+upto.amps))
		m.sigma, m.steps, step = 0, 0, 0
	}
	level, okV := v.base(from.volts)
	rise := from.voltsStep * v.gain
	if _, ok := v.base(upto.volts); !okV || !ok {
		level, _ = v.base(math.Copysign(math.MaxFloat64, from.volts+upto.volts))
		v.sigma, v.steps, rise = 0, 0, 0
	}
	if r.withVolts {
		for k := 0; len(block) >= 8; k++ {
			bits := noise.bits(first + int64(k))
			i := m.read(base+step*float64(k), noise.amps(bits))
			u := v.read(level+rise*float64(k), noise.volts(bits))
			binary.LittleEndian.PutUint64(block, uint64(math.Float32bits(i))|uint64(math.Float32bits(u))<<32)
			block = block[8:]
		}
		return
	}
	for k := 0; len(block) >= 4; k++ {
		binary.LittleEndian.PutUint32(block, math.Float32bits(m.read(base+step*float64(k), noise.amps(noise.bits(first+int64(k))))))
		block = block[4:]
	}
}

// list writes samples that have each their own value.
func (r *recorder) list(block []byte, first int64, amps, volts *maker) {
	for len(block) >= 4 {
		bits := r.noise.bits(first)
		first++
		i, u := r.values[r.valued], r.values[r.valued+1]
		r.valued += 2
		binary.LittleEndian.PutUint32(block, math.Float32bits(amps.one(i, r.noise.amps(bits))))
		block = block[4:]
		if r.withVolts {
			binary.LittleEndian.PutUint32(block, math.Float32bits(volts.one(u, r.noise.volts(bits))))
			block = block[4:]
		}
	}
}

func (m *maker) one(mean, noise float64) float32 {
	base, ok := m.base(mean)
	if !ok {
		return float32(base)
	}
	return m.read(base, noise)
}

// turn reverses the bytes of each value.
func turn(block []byte) {
	for ; len(block) >= 4; block = block[4:] {
		binary.LittleEndian.PutUint32(block, binary.BigEndian.Uint32(block))
	}
}
