package sim

import (
	"errors"
	"fmt"
	"math"
	"time"

	"fourwire/internal/clock"
	"fourwire/sim/circuit"
	"fourwire/sim/device"
	"fourwire/sim/instrument"
)

// PowerOn is when a bench is switched on that is not told.
func PowerOn() time.Time { return time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC) }

// New builds the bench of a scenario and switches it on: instruments in their reset state, outputs off, everything at rest.
func New(s *Scenario, o Options) (*Bench, error) {
	start := o.Start
	if start.IsZero() {
		start = PowerOn()
	}
	seed := s.Seed
	if o.Seed != nil {
		seed = *o.Seed
	}
	b := &Bench{clock: clock.NewVirtual(start), start: start, nodes: map[string]circuit.Node{Ground: circuit.Ground}}
	net := circuit.New()
	b.engine = engine{net: net, modals: map[circuit.Branch]circuit.Modal{}, next: firstStep, dirty: true, allowed: 1}
	b.engine.modeLog = b.logMode
	p := builder{bench: b, net: net, lines: map[string]circuit.Node{}}
	var faults []error
	wires, absent := s.faulty()
	for i := range s.Devices {
		if !absent[s.Devices[i].Name] {
			faults = append(faults, p.device(&s.Devices[i], instrument.Seed(seed)))
		}
	}
	for i := range s.Instruments {
		faults = append(faults, p.instrument(&s.Instruments[i], instrument.Seed(seed), s.AmbientC))
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	for _, w := range wires { // ammeters first: they make the lines that others are joined to
		if w.Ammeter {
			faults = append(faults, p.ammeter(&w))
		}
	}
	for _, w := range wires {
		if !w.Ammeter {
			faults = append(faults, p.wire(&w))
		}
	}
	p.hum(s, wires)
	faults = append(faults, p.faults(s.Faults, wires), p.incidents(s.Incidents), net.Err())
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	b.connectLines(s.Triggers, instrument.Seed(seed))
	b.engine.states = make([]uint32, len(b.engine.movers))
	b.engine.observe()
	if b.engine.fault != nil {
		return nil, fmt.Errorf("%s: the bench has no operating point with everything off: %w", s.File, b.engine.fault)
	}
	for _, s := range b.instruments {
		s.due = s.Device().Run(0)
	}
	if b.troubled = len(s.Incidents) > 0; b.troubled {
		b.strikeDue(0)
	}
	b.clock.OnAdvance(b.moved)
	return b, nil
}

func (b *Bench) logMode(branch circuit.Branch, to circuit.Mode) {
	m := b.engine.modals[branch]
	if m == nil {
		return
	}
	world{b}.Log(b.engine.net.BranchName(branch), 0, instrument.Mode, m.ModeName(to), 0)
}

type builder struct {
	bench *Bench
	net   *circuit.Network
	lines map[string]circuit.Node // outer end of the ammeters in the line of a node
}

func (p *builder) node(name string) circuit.Node {
	if n, ok := p.bench.nodes[name]; ok {
		return n
	}
	n := p.net.AddNode(name)
	p.bench.nodes[name] = n
	p.bench.nodeNames = append(p.bench.nodeNames, name)
	return n
}

func (p *builder) line(name string) circuit.Node {
	if n, ok := p.lines[name]; ok {
		return n
	}
	return p.node(name)
}

func (p *builder) capacitor(name string, plus, minus circuit.Node, farad float64) circuit.Branch {
	branch, _ := p.heldCapacitor(name, plus, minus, farad)
	return branch
}

func (p *builder) heldCapacitor(name string, plus, minus circuit.Node, farad float64) (circuit.Branch, *capacitor) {
	c := &capacitor{farad: farad, plus: plus, minus: minus, care: 1}
	p.bench.engine.caps = append(p.bench.engine.caps, c)
	return p.net.AddOnePort(name, plus, minus, c), c
}

func (p *builder) device(d *Device, seed instrument.Seed) error {
	passive := func(b circuit.Branch) {
		p.bench.meterBranch(d.Name, b)
		p.bench.passive = append(p.bench.passive, named[circuit.Branch]{d.Name, b})
	}
	switch d.Kind {
	case "buck":
		b, err := device.NewBuck(d.Buck)
		if err != nil {
			return fmt.Errorf("%s: %w", d.Name, err)
		}
		b.Start()
		p.converter(d, newBuck(b))
	case "boost":
		b, err := device.NewBoost(d.Boost)
		if err != nil {
			return fmt.Errorf("%s: %w", d.Name, err)
		}
		p.converter(d, newBoost(b))
	case "ldo":
		r, err := device.NewLdo(d.Ldo)
		if err != nil {
			return fmt.Errorf("%s: %w", d.Name, err)
		}
		p.converter(d, newLdo(r))
	case "diode":
		diode := d.Diode
		passive(p.net.AddOnePort(d.Name, p.node(d.Plus), p.node(d.Minus), &diode))
	case "node":
		p.wirelessNode(d, seed)
	case "battery":
		if err := p.battery(d); err != nil {
			return fmt.Errorf("%s: %w", d.Name, err)
		}
	case "capacitor":
		branch, c := p.heldCapacitor(d.Name, p.node(d.Plus), p.node(d.Minus), d.Farad)
		c.esr = d.EsrOhm
		passive(branch)
		p.absorbing(d)
	case "inductor":
		passive(p.inductor(d.Name, p.node(d.Plus), p.node(d.Minus), d.Henry, d.WindingOhm))
	default:
		if p.component(d, passive) {
			return nil
		}
		return fmt.Errorf("%s: there is no device of kind %q", d.Name, d.Kind)
	}
	return nil
}

func (p *builder) converter(d *Device, c *converter) {
	c.net, c.in, c.out = p.net, p.node(d.In), p.node(d.Out)
	c.branch = p.net.AddTwoPort(d.Name, c.in, circuit.Ground, c.out, circuit.Ground, c.model)
	c.keep()
	p.bench.meterBranch(d.Name, c.branch)
	p.bench.engine.modals[c.branch] = c.model
	p.bench.engine.movers = append(p.bench.engine.movers, c)
	p.bench.parts = append(p.bench.parts, named[part]{d.Name, c})
	if d.BurstHertz > 0 {
		p.bursts(d, c)
	}
	if d.InFarad > 0 {
		p.capacitor(d.Name+" input capacitor", c.in, circuit.Ground, d.InFarad)
	}
	if d.OutFarad > 0 {
		_, held := p.heldCapacitor(d.Name+" output capacitor", c.out, circuit.Ground, d.OutFarad)
		if b, ok := c.model.(device.Looped); ok && b.ControlLoop() != nil {
			held.loop = true
			if held.esr = d.OutEsrOhm; d.Kind == "buck" {
				held.esr = d.Buck.OutputEsrOhm
			}
			p.bench.engine.dynamics = append(p.bench.engine.dynamics, looped{b, p.net, c.in, c.out})
		}
	}
}

func (p *builder) instrument(in *Instrument, seed instrument.Seed, ambientC float64) error {
	spec := instrument.Spec{
		Name: in.Name, Kind: in.Kind, Identity: in.Identity, Processing: in.Processing, ErrorQueue: in.ErrorQueue, Quirks: in.Speech, Seed: seed,
		Watchdog: in.Watchdog,
	}
	for i := range in.Channels {
		spec.Channels = append(spec.Channels, in.Channels[i].specimen(seed, in.Name, i+1, ambientC))
	}
	made, err := instrument.New(spec, world{p.bench})
	if err != nil {
		return err
	}
	p.bench.instruments = append(p.bench.instruments, &station{Instrument: made, quirks: in.Quirks, due: instrument.Never})
	return nil
}

// specimen draws the errors of one channel.
func (c *Channel) specimen(seed instrument.Seed, name string, number int, ambientC float64) instrument.ChannelSpec {
	key := func(what string, n int) instrument.Key {
		return instrument.Key{Instrument: name, Channel: number, What: what, Number: uint64(n)}
	}
	out := instrument.ChannelSpec{
		Output: c.Output, Input: c.Input, Settle: c.Settle, Switch: c.Switch, Kelvin: ambientC - c.CalibratedC, Depth: c.Depth,
		Digitiser: c.Digitiser, List: c.List, Relay: c.Relay,
	}
	out.Output.VoltsGain, out.Output.VoltsOffset = c.SetVolts.draw(seed, key("volts setting", 0))
	out.Output.AmpsGain, out.Output.AmpsOffset = c.SetAmps.draw(seed, key("amps setting", 0))
	out.Input.VoltsGain, out.Input.VoltsOffset = out.Output.VoltsGain, out.Output.VoltsOffset
	out.Input.AmpsGain, out.Input.AmpsOffset = out.Output.AmpsGain, out.Output.AmpsOffset
	out.Input.OhmsGain, _ = c.SetOhms.draw(seed, key("ohms setting", 0))
	out.Input.WattsGain, _ = c.SetWatts.draw(seed, key("watts setting", 0))
	for i, r := range c.Volts {
		out.Volts = append(out.Volts, r.specimen(seed, key("volts range", i)))
	}
	for i, r := range c.Amps {
		out.Amps = append(out.Amps, r.specimen(seed, key("amps range", i)))
	}
	return out
}

func (r *Range) specimen(seed instrument.Seed, key instrument.Key) instrument.Range {
	at := r.NoiseAt
	if at == 0 {
		at = usualNoiseAt
	}
	out := instrument.Range{
		Full: r.Full, Beyond: r.Beyond, GainPerKelvin: r.GainPerKelvin, OffsetPerKelvin: r.OffsetPerKelvin,
		NoiseDensity: r.Noise * math.Sqrt(2*at.Seconds()), NoiseFloor: r.Floor, Resolution: r.Resolution, Ohm: r.Ohm,
	}
	out.Gain, out.Offset = r.draw(seed, key)
	return out
}

func (p *builder) channel(w *Wire) (*instrument.Channel, string, error) {
	s, err := p.bench.station(w.Instrument)
	if err != nil {
		return nil, "", err
	}
	if w.Channel < 1 || w.Channel > s.Channels() {
		return nil, "", fmt.Errorf("%s has no channel %d", w.Instrument, w.Channel)
	}
	name := w.Instrument
	if s.Channels() > 1 {
		name = fmt.Sprintf("%s.%d", name, w.Channel)
	}
	return s.Channel(w.Channel), name, nil
}

// ammeter puts a meter into the line of a node, outside of those that are there already.
func (p *builder) ammeter(w *Wire) error {
	c, name, err := p.channel(w)
	if err != nil {
		return err
	}
	inner := p.line(w.Node)
	outer := p.net.AddNode(name + " line")
	sign := 1.0
	if w.Outward {
		sign = -1
	}
	inner, sign = p.faultyAmmeter(w, name, inner, outer, sign)
	c.ConnectAmmeter(p.net, name, outer, inner, sign)
	p.lines[w.Node] = outer
	return nil
}

// wire joins a source, a load or a voltmeter. The resistance of both conductors stands in the plus lead.
func (p *builder) wire(w *Wire) error {
	c, name, err := p.channel(w)
	if err != nil {
		return err
	}
	minus := p.node(w.Against)
	switch {
	case c.IsRelay():
		c.ConnectRelay(p.net, name, p.node(w.Node), minus)
		return nil
	case w.conductors != nil && c.Powered():
		p.faultyWire(w, c, name)
		return nil
	case w.conductors != nil:
		p.faultyMeter(w, c, name)
		return nil
	case !c.Powered():
		c.ConnectMeter(p.net, name, p.node(w.Node), minus)
		return nil
	}
	term, sense := p.net.AddNode(name+" terminal"), p.net.AddNode(name+" sense")
	lead := p.net.AddResistor(name+" lead", term, p.line(w.Node), max(2*w.LeadOhm, leastLeadOhm))
	if w.SenseAt != "" {
		p.net.AddResistor(name+" sense lead", sense, p.node(w.SenseAt), max(2*w.SenseOhm, leastLeadOhm))
	}
	c.Connect(p.net, name, term, minus, sense, lead)
	p.meterChannel(w, c)
	p.bench.engine.movers = append(p.bench.engine.movers, c)
	if farad := c.Farad(); farad > 0 {
		p.capacitor(name+" capacitor", term, minus, farad)
	}
	return nil
}

// meterChannel integrates what goes through a channel.
func (p *builder) meterChannel(w *Wire, c *instrument.Channel) {
	p.bench.meter(fmt.Sprintf("%s.%d", w.Instrument, w.Channel), c.Amps, c.Volts)
}
