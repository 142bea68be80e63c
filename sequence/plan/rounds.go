package plan

import "fourwire/sequence"

// Rounds groups the readings of a measure step, as indices of them, so that no instrument is asked for two readings at one
// time: all of a round begin together. A channel that takes volts and amps in one reading gives both in one round.
func (p *Plan) Rounds(m *sequence.Measure) [][]int {
	var rounds [][]int
	for i, r := range m.Readings {
		k, n := p.GaugeIndex(r.Function, r.Node), 0
		for k >= 0 && n < len(rounds) && p.clash(m, rounds[n], k) {
			n++
		}
		if n == len(rounds) {
			rounds = append(rounds, nil)
		}
		rounds[n] = append(rounds[n], i)
	}
	return rounds
}

// clash tells whether a gauge cannot take part in a round, because its instrument is busy with another reading.
func (p *Plan) clash(m *sequence.Measure, round []int, k int) bool {
	g := &p.Gauges[k]
	for _, i := range round {
		other := p.GaugeIndex(m.Readings[i].Function, m.Readings[i].Node)
		if other < 0 || p.Gauges[other].Channel.Instrument != g.Channel.Instrument {
			continue
		}
		if o := &p.Gauges[other]; o.Channel != g.Channel || o.Function == g.Function || !g.Together || o.Node != g.Node {
			return true
		}
	}
	return false
}
