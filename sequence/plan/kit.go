package plan

import (
	"fmt"
	"slices"
	"strings"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/sequence"
)

// kit is a bench that is put together from models, piece by piece. A piece is taken again where it has a channel left.
type kit struct {
	*searcher
	bench  *bench.Bench
	models map[string]*model.Model
	pieces []piece
}

type piece struct {
	name  string
	model *model.Model
	used  map[int]bench.Wire // by channel index: what it does
}

func newKit(s *searcher) *kit {
	return &kit{searcher: s, bench: &bench.Bench{AmbientKelvin: s.like.AmbientKelvin}, models: map[string]*model.Model{}}
}

// piece gives one with a channel that is free for a use and alike the one wanted.
func (k *kit) piece(p placement, able func(*model.Channel) bool) (*piece, int) {
	for i := range k.pieces {
		one := &k.pieces[i]
		if one.model != p.model {
			continue
		}
		for n := range p.model.Channels {
			if _, taken := one.used[n]; !taken && able(&p.model.Channels[n]) {
				return one, n
			}
		}
	}
	count := 1
	for _, one := range k.pieces {
		if one.model == p.model {
			count++
		}
	}
	name := p.model.Name
	if count > 1 {
		name = fmt.Sprintf("%s-%d", name, count)
	}
	k.pieces = append(k.pieces, piece{name, p.model, map[int]bench.Wire{}})
	k.models[name] = p.model
	k.bench.Instruments = append(k.bench.Instruments, bench.Instrument{Name: name, Model: p.model.Name})
	return &k.pieces[len(k.pieces)-1], p.channel
}

func (k *kit) role(node string, use bench.Use, p placement) {
	one, n := k.piece(p, func(ch *model.Channel) bool {
		return use == bench.Source && ch.Source != nil || use == bench.Load && ch.Load != nil
	})
	ch := &p.model.Channels[n]
	k.put(one, n, k.wire(node, use, one.name, ch.Number, senses(ch)))
}

// meter wires a meter. A channel that takes volts and amps together may read both at one node.
func (k *kit) meter(w wanted, p placement) {
	use := bench.Voltmeter
	if w.function == sequence.Amps {
		use = bench.Ammeter
	}
	for i := range k.pieces {
		one := &k.pieces[i]
		for n := range one.model.Channels {
			other, used := one.used[n]
			if used && one.model == p.model && p.model.Channels[n].Together && other.Node == w.node && other.As != use && (other.As == bench.Voltmeter || other.As == bench.Ammeter) && k.reads(w, p.model, n) {
				k.bench.Wiring = append(k.bench.Wiring, bench.Wire{Instrument: one.name, Channel: p.model.Channels[n].Number, Node: w.node, As: use})
				return
			}
		}
	}
	one, n := k.piece(p, func(ch *model.Channel) bool {
		return ch.Source == nil && ch.Load == nil && k.reads(w, p.model, slices.IndexFunc(p.model.Channels, func(c model.Channel) bool { return c.Number == ch.Number }))
	})
	k.put(one, n, bench.Wire{Instrument: one.name, Channel: p.model.Channels[n].Number, Node: w.node, As: use})
}

func (k *kit) reads(w wanted, m *model.Model, n int) bool {
	_, ok := k.gauge(w, placement{model: m, channel: n})
	return ok
}

func (k *kit) put(one *piece, n int, w bench.Wire) {
	one.used[n] = w
	k.bench.Wiring = append(k.bench.Wiring, w)
}

// key is the same for benches that are wired alike.
func (k *kit) key() string {
	var b strings.Builder
	for _, w := range k.bench.Wiring {
		fmt.Fprintf(&b, "%s.%d %s %s;", w.Instrument, w.Channel, w.Node, w.As)
	}
	return b.String()
}
