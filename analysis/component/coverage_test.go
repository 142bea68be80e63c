package component_test

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"fourwire/analysis/component"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// held counts how often the interval of one parameter holds the truth.
type held struct {
	inside, draws float64
	squares, u    float64
}

type holds map[string]*held

func (h holds) add(name string, x, u, truth float64) {
	c := h[name]
	if c == nil {
		c = &held{}
		h[name] = c
	}
	c.draws++
	if math.Abs(x-truth) <= u {
		c.inside++
	}
	c.squares += (x - truth) * (x - truth)
	c.u += u
}

func (h holds) parameter(name string, p component.Parameter, truth float64) {
	h.add(name, p.X, p.U, truth)
}

// judge demands 92 to 98 % of 1000 draws; of 150, three and a half standard deviations less. wide says why more is right.
func (h holds) judge(t *testing.T, wide map[string]string) {
	t.Helper()
	var names []string
	for name := range h {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		c := h[name]
		share, sharp := c.inside/c.draws, 2*math.Sqrt(c.squares*c.draws)/c.u
		t.Logf("%-40s held in %5.1f %% of %.0f, scatter %.2f of U  %s", name, 100*share, c.draws, sharp, wide[name])
		low, high := 0.92, 0.98
		if c.draws < 500 {
			low, high = 0.89, 1
		}
		if share < low || share > high && wide[name] == "" {
			t.Errorf("%s: U holds the truth in %.1f %% of %.0f draws", name, 100*share, c.draws)
		}
	}
}

func drawsOf() int {
	if os.Getenv("FOURWIRE_LONG") == "1" {
		return 1000
	}
	return 150
}

// TestFitCoverage draws noise of a known size into curves of parts with known parameters: those of the published devices where there are such. Each
// part is fitted with the uncertainties of its points and without.
func TestFitCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 5))
	h := holds{}
	cell := component.Cell{Photo: 0.7607755, Saturation: 0.3230208e-6, Ideality: 1.481185, Series: 36.37709e-3, Shunt: 53.71853, Kelvin: 306.15}
	mosfet := component.SquareLaw{Threshold: 2.1, K: 0.35, Lambda: 0.02}
	for range drawsOf() {
		var points []component.Point
		for k := range 40 {
			volts := -0.2 + 0.78*float64(k)/39
			points = append(points, component.Point{Volts: volts, Amps: cell.Amps(volts) + 0.5e-3*r.NormFloat64()})
		}
		for _, residual := range []component.Residual{component.Exact, component.Implicit} {
			f, err := component.FitCell(points, 306.15, residual)
			if err != nil {
				t.Fatal(err)
			}
			name := map[component.Residual]string{component.Exact: "cell, exact: ", component.Implicit: "cell, implicit: "}[residual]
			h.parameter(name+"Iph", f.PhotoFit, cell.Photo)
			h.parameter(name+"Is", f.IsFit, cell.Saturation)
			h.parameter(name+"n", f.NFit, cell.Ideality)
			h.parameter(name+"Rs", f.RsFit, cell.Series)
			h.parameter(name+"Rsh", f.RshFit, cell.Shunt)
		}

		for _, known := range []bool{true, false} {
			name := map[bool]string{true: ", U known: ", false: ", U not known: "}[known]
			var drain []component.DrainPoint
			for _, gate := range []float64{1.5, 2.5, 3, 3.5, 4} {
				for _, volts := range []float64{0.2, 0.5, 1, 2, 4, 6} {
					amps := mosfet.Amps(gate, volts)
					u := 1e-3
					if known {
						u = 0.2e-3 + 0.004*amps
					}
					p := component.DrainPoint{GateVolts: gate, DrainVolts: volts, Amps: amps + u/2*r.NormFloat64()}
					if known {
						p.UAmps = u
					}
					drain = append(drain, p)
				}
			}
			m, err := component.FitSquareLaw(drain)
			if err != nil {
				t.Fatal(err)
			}
			h.parameter("mosfet"+name+"Vto", m.ThresholdFit, mosfet.Threshold)
			h.parameter("mosfet"+name+"K", m.KFit, mosfet.K)
			h.parameter("mosfet"+name+"lambda", m.LambdaFit, mosfet.Lambda)

			points = nil
			for k := range 25 {
				amps := 1e-6 * math.Pow(10, float64(k)*5/24)
				p := component.Point{Volts: simulated.Volts(amps), Amps: amps}
				p.Volts += 0.2e-3 * r.NormFloat64()
				if known {
					p.Amps *= 1 + 0.002*r.NormFloat64()
					p.UVolts, p.UAmps = 0.4e-3, 0.004*amps
				}
				points = append(points, p)
			}
			d, err := component.FitDiode(points, 300.15)
			if err != nil {
				t.Fatal(err)
			}
			h.parameter("diode"+name+"Is", d.IsFit, simulated.Saturation)
			h.parameter("diode"+name+"n", d.NFit, simulated.Ideality)
			h.parameter("diode"+name+"Rs", d.RsFit, simulated.Series)

			for _, perWatt := range []float64{0, 2.5, 40} { // none, hardly to be seen, plain; ohm/W at 100 ohm
				points = nil
				for k := range 11 {
					amps := 10e-3 * float64(k-5) / 5
					volts := 100 * amps
					for range 50 {
						volts = (100 + perWatt*volts*amps) * amps
					}
					p := component.Point{Volts: volts + 0.3e-3 + 0.1e-3*r.NormFloat64(), Amps: amps}
					if known {
						p.UVolts = 0.2e-3
					}
					points = append(points, p)
				}
				f, err := component.FitResistor(points)
				if err != nil {
					t.Fatal(err)
				}
				heat := map[float64]string{0: "resistor", 2.5: "resistor, faint heat", 40: "resistor, heat"}[perWatt]
				h.parameter(heat+name+"R", f.Ohms, 100)
				h.parameter(heat+name+"offset", f.Offset, 0.3e-3)
				if perWatt == 40 {
					h.parameter(heat+name+"per watt", f.PerWatt, 40)
				}
			}
		}
	}
	h.judge(t, nil)
}

// TestReversalCoverage draws the gain of the source, which all readings of a row share, and the noise of the meter.
func TestReversalCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(22, 5))
	h := holds{}
	const ohms, emf, drift, noise, gain = 1e-3, 5e-6, 0.2e-6, 0.1e-6, 1e-4
	for range drawsOf() {
		var l measured.Ledger
		off := 1 + gain*r.NormFloat64() // of the current that is stated
		row := func(n int, drift float64) []component.Reading {
			var out []component.Reading
			for k := range n {
				amps := 1.0
				if k%2 == 1 {
					amps = -1
				}
				in := l.Own(measured.Input{Name: "meter noise", Kind: measured.Noise})
				out = append(out, component.Reading{
					Volts: measured.New(quantity.Of(ohms*amps*off+emf+drift*float64(k)+noise*r.NormFloat64(), quantity.Voltage), measured.Term{Input: in, Part: noise}),
					Amps:  measured.New(quantity.Of(amps, quantity.Current), measured.Term{Input: l.Shared(measured.Input{Name: "source gain", Kind: measured.Gain}), Part: gain * amps}),
				})
			}
			return out
		}
		two := row(2, 0)
		once, err := component.Reversed(two[0], two[1])
		if err != nil {
			t.Fatal(err)
		}
		h.add("reversal: R", once.Ohms.X, once.Ohms.Expanded(), ohms)
		h.add("reversal: EMF", once.Thermal.X, once.Thermal.Expanded(), emf)
		for _, n := range []int{3, 9} {
			d, err := component.Delta(row(n, drift), &l)
			if err != nil {
				t.Fatal(err)
			}
			name := map[int]string{3: "delta of three: ", 9: "delta of nine: "}[n]
			h.add(name+"R", d.Ohms.X, d.Ohms.Expanded(), ohms)
			h.add(name+"EMF", d.Thermal.X, d.Thermal.Expanded(), emf+drift*float64(n-1)/2)
		}
	}
	h.judge(t, nil)
}
