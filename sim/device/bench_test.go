package device_test

import (
	"testing"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// bench is a source, its lead, a converter, its lead and an electronic load.
type bench struct {
	net                  *circuit.Network
	source               *device.SourceOutput
	load                 *device.LoadInput
	supply, in, out, at  circuit.Node
	feed, lead, dut, tap circuit.Branch
}

func newBench(volts, amps, leadOhm float64, converter circuit.TwoPort) *bench {
	s := &bench{
		net:    circuit.New(),
		source: &device.SourceOutput{VrefV: volts, IrefA: amps, RcvOhm: 1e-3, RccOhm: 10e3, On: true},
		load:   &device.LoadInput{Mode: device.HoldAmps, RminOhm: 0.04, On: true},
	}
	s.supply, s.in, s.out, s.at = s.net.AddNode("supply"), s.net.AddNode("dut.in"), s.net.AddNode("dut.out"), s.net.AddNode("load")
	s.feed = s.net.AddOnePort("source", s.supply, circuit.Ground, s.source)
	s.lead = s.net.AddResistor("source lead", s.supply, s.in, leadOhm)
	s.dut = s.net.AddTwoPort("converter", s.in, circuit.Ground, s.out, circuit.Ground, converter)
	s.net.AddResistor("load lead", s.out, s.at, 1e-6)
	s.tap = s.net.AddOnePort("load", s.at, circuit.Ground, s.load)
	return s
}

// settle solves and checks that energy closes.
func (s *bench) settle(t testing.TB) *circuit.Report {
	t.Helper()
	report, err := s.net.Settle()
	if err != nil {
		t.Fatal(err)
	}
	if off := s.net.Balance().Relative(); off > 1e-9 {
		t.Errorf("the powers of all parts add up to %.2g of the whole, want 0: %+v", off, s.net.Balance())
	}
	return report
}
