package hookup

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/quantity"
)

// checker is one check under way.
type checker struct {
	Config
	clock  clock.Clock
	probes []*probe
	order  []string // instruments, in the order of the bench
	rest   survey   // with everything off
	zero   survey   // the same with the meters in the line on their smallest range
	trials []*trial
	report *Report
}

// probe is one channel at its node, with all that it does there.
type probe struct {
	wire        bench.Wire // of the source or load where it is one
	spec        *model.Channel
	instrument  *driver.Instrument
	source      *driver.Source // nil: it is none
	load        *driver.Load
	volts, amps *driver.Meter // nil: it does not read them here
	on          bool          // switched on by this check, and not known to be off
	touched     bool
}

// String is the channel as the bench file writes it.
func (p *probe) String() string {
	if p.wire.Channel > 1 {
		return fmt.Sprintf("%s.%d", p.wire.Instrument, p.wire.Channel)
	}
	return p.wire.Instrument
}

// plain tells whether it is a meter and nothing else.
func (p *probe) plain() bool { return p.source == nil && p.load == nil }

// connect finds what each wire asks for, and prepares the instruments.
func (k *checker) connect(ctx context.Context) error {
	seen := map[string]bool{}
	at := map[string]*probe{}
	for _, w := range k.Bench.Wiring {
		in := k.Instruments[w.Instrument]
		if in == nil {
			continue
		}
		if w.Through != (bench.Contact{}) {
			k.notTold("%s gets to %s through relay %s: that is not checked", w.Instrument, w.Node, w.Through)
			continue
		}
		if !seen[w.Instrument] {
			seen[w.Instrument] = true
			k.order = append(k.order, w.Instrument)
		}
		key := fmt.Sprintf("%s.%d", w.Instrument, w.Channel)
		p := at[key]
		if p == nil {
			p = &probe{wire: w, instrument: in, spec: &in.Model().Channels[w.Channel-1]}
			at[key] = p
			k.probes = append(k.probes, p)
		}
		if err := p.serve(w); err != nil {
			return err
		}
	}
	for _, name := range k.order {
		if err := k.Instruments[name].Prepare(ctx); err != nil {
			return fmt.Errorf("%s cannot be prepared: %w", name, err)
		}
	}
	return nil
}

// serve opens what a wire asks of the channel.
func (p *probe) serve(w bench.Wire) (err error) {
	switch w.As {
	case bench.Source:
		p.wire = w
		p.source, err = p.instrument.Source(w.Channel)
	case bench.Load:
		p.wire = w
		p.load, err = p.instrument.Load(w.Channel)
	}
	if err != nil {
		return err
	}
	meter := func() (*driver.Meter, error) { return p.instrument.Meter(w.Channel) }
	if p.volts == nil && len(p.spec.Volts) > 0 && w.As != bench.Ammeter {
		p.volts, err = meter()
	}
	if err == nil && p.amps == nil && len(p.spec.Amps) > 0 && w.As != bench.Voltmeter {
		p.amps, err = meter()
	}
	return err
}

func (k *checker) sources() (out []*probe) {
	for _, p := range k.probes {
		if p.source != nil {
			out = append(out, p)
		}
	}
	return out
}

// witnesses are what reads the voltage of a node without feeding it: meters and loads.
func (k *checker) witnesses(node string) (out []*probe) {
	for _, p := range k.probes {
		if p.source == nil && p.volts != nil && (node == "" || p.wire.Node == node) {
			out = append(out, p)
		}
	}
	return out
}

// gauge is the best voltmeter of a node: a meter before a load; nil where there is none.
func (k *checker) gauge(node string) *probe {
	var best *probe
	for _, p := range k.witnesses(node) {
		if best == nil || best.load != nil && p.load == nil {
			best = p
		}
	}
	return best
}

// ammeters are the meters in the line of a node.
func (k *checker) ammeters(node string) (out []*probe) {
	for _, p := range k.probes {
		if p.plain() && p.amps != nil && p.wire.Node == node {
			out = append(out, p)
		}
	}
	return out
}

// look says how everything is read. The zero value is largest ranges and the usual aperture.
type look struct {
	aperture time.Duration
	volts    float64 // expected; 0: not known
	amps     float64 // for the meters in the line of node; 0: largest range
	node     string
	repeat   int
}

// reading is what one channel shows; NaN: it does not read that, or shows an overload.
type reading struct{ volts, amps float64 }

type survey map[*probe]reading

// look reads everything at one time, as often as asked, and gives the means.
func (k *checker) look(ctx context.Context, l look) (survey, error) {
	out := survey{}
	n := max(1, l.repeat)
	for range n {
		one, err := k.lookOnce(ctx, l)
		if err != nil {
			return nil, err
		}
		for p, r := range one {
			sum := out[p]
			out[p] = reading{sum.volts + r.volts/float64(n), sum.amps + r.amps/float64(n)}
		}
	}
	return out, nil
}

func (k *checker) lookOnce(ctx context.Context, l look) (survey, error) {
	for _, p := range k.probes {
		if p.volts != nil {
			if err := p.volts.Begin(ctx, l.request(p, driver.Volts)); err != nil {
				return nil, err
			}
		}
		if p.amps != nil {
			if err := p.amps.Begin(ctx, l.request(p, driver.Amps)); err != nil {
				return nil, err
			}
		}
	}
	out := survey{}
	for _, p := range k.probes {
		r := reading{math.NaN(), math.NaN()}
		if p.volts != nil {
			got, err := p.volts.End(ctx)
			if err != nil {
				return nil, err
			}
			r.volts = got.Value.X
		}
		if p.amps != nil {
			got, err := p.amps.End(ctx)
			if err != nil {
				return nil, err
			}
			r.amps = got.Value.X
		}
		out[p] = r
	}
	return out, nil
}

func (l look) request(p *probe, f driver.Function) driver.Request {
	r := driver.Request{Function: f, Aperture: l.aperture, Expect: math.NaN()}
	if a := p.spec.Aperture; r.Aperture > 0 {
		r.Aperture = min(max(r.Aperture, a.Least), a.Most)
	}
	switch {
	case f == driver.Volts && l.volts > 0:
		r.Expect = l.volts
	case f == driver.Amps && l.amps > 0 && (!p.plain() || l.node == "" || p.wire.Node == l.node):
		r.Expect = l.amps
	}
	return r
}

// burden is the resistance of the meters in the line of a node, on the ranges that a look picks.
func (k *checker) burden(node string, l look) (ohm float64) {
	for _, p := range k.ammeters(node) {
		r := p.spec.Amps[len(p.spec.Amps)-1]
		if l.amps > 0 && (l.node == "" || l.node == node) {
			r = model.Pick(p.spec.Amps, l.amps)
		}
		ohm += r.ResistanceOhm
	}
	return ohm
}

// noise is the standard deviation of one reading as the model states it, its resolution included.
func noise(ranges []model.Range, expect float64, aperture time.Duration) float64 {
	if len(ranges) == 0 {
		return math.NaN()
	}
	a := model.Pick(ranges, expect).Accuracy
	sigma := a.Noise
	if a.NoiseAperture > 0 && aperture > 0 {
		sigma *= math.Sqrt(a.NoiseAperture / aperture.Seconds())
	}
	return math.Sqrt(sigma*sigma + a.NoiseFloor*a.NoiseFloor + a.Resolution*a.Resolution/12)
}

// note keeps what was seen for the report.
func (k *checker) note(energised string, s survey) {
	number := func(x float64) *float64 {
		if math.IsNaN(x) {
			return nil
		}
		return &x
	}
	for _, p := range k.probes {
		r := s[p]
		as := string(p.wire.As)
		k.report.Seen = append(k.report.Seen, Seen{Energised: energised, Channel: p.String(), Node: p.wire.Node, As: as, Volts: number(r.volts), Amps: number(r.amps)})
	}
}

func volts(x float64) string { return quantity.Of(x, quantity.Voltage).Text(3) }
func amps(x float64) string  { return quantity.Of(x, quantity.Current).Text(3) }
func ohms(x float64) string  { return quantity.Of(x, quantity.Resistance).Text(2) }
