package measured_test

import (
	"fmt"
	"math"
	"testing"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

func ExampleDiv() {
	var l measured.Ledger
	gain := l.Shared(measured.Input{Name: "meter 10 V gain", Kind: measured.Gain})
	read := func(volts, relative float64) measured.Value {
		return measured.New(quantity.Of(volts, quantity.Voltage), measured.Term{Input: gain, Part: volts * relative})
	}
	in, out := read(8, 1e-3), read(5, 1e-3)
	fmt.Printf("alone %.4f V, the ratio %.4f\n", in.Std(), measured.Div(out, in).Std())
	// Output: alone 0.0080 V, the ratio 0.0000
}

// Worked efficiency budget: relative limits 0.092, 0.249, 0.090 and 0.150 % (rectangular) give U(eta) = 0.37 % relative and
// 0.34 points at eta 0.93, and 5.1 % of the loss. Derived by the quadrature formulas of JCGM 100; common practice, no source.
func TestEfficiencyBudget(t *testing.T) {
	var l measured.Ledger
	reading := func(name string, x, relative float64, dim quantity.Dimension) measured.Value {
		id := l.Shared(measured.Input{Name: name, Kind: measured.Gain, Shape: measured.Rectangular})
		return measured.New(quantity.Of(x, dim), measured.Term{Input: id, Part: x * relative / math.Sqrt(3)})
	}
	vi := reading("vi", 12, 0.092e-2, quantity.Voltage)
	ii := reading("ii", 15/(0.93*12), 0.249e-2, quantity.Current)
	vo := reading("vo", 5, 0.090e-2, quantity.Voltage)
	io := reading("io", 3, 0.150e-2, quantity.Current)
	pin, pout := measured.Mul(vi, ii), measured.Mul(vo, io)
	eta, loss := measured.Div(pout, pin), measured.Sub(pin, pout)
	if eta.Dim != quantity.Ratio || loss.Dim != quantity.Power {
		t.Fatalf("dimensions %v and %v", eta.Dim, loss.Dim)
	}
	if u := eta.Expanded(); math.Abs(u-0.0034) > 0.00005 {
		t.Errorf("U(eta) = %v, want 0.0034", u)
	}
	if u := loss.Expanded() / loss.X; math.Abs(u-0.051) > 0.0005 {
		t.Errorf("U(loss) = %v of the loss, want 5.1 %%", u)
	}
}

// A mean keeps what its parts share and averages what is their own (JCGM 100:2008, 4.2.3 and 5.2).
func TestMean(t *testing.T) {
	var l measured.Ledger
	offset := l.Shared(measured.Input{Name: "offset", Kind: measured.Offset})
	if again := l.Shared(measured.Input{Name: "offset", Kind: measured.Offset}); again != offset {
		t.Fatal("a shared input came back as another")
	}
	var parts []measured.Value
	for range 16 {
		noise := l.Own(measured.Input{Name: "noise", Kind: measured.Noise})
		parts = append(parts, measured.New(quantity.Of(5, quantity.Voltage), measured.Term{Input: noise, Part: 4e-3}, measured.Term{Input: offset, Part: 1e-3}))
	}
	mean := measured.Mean(parts...)
	if want := math.Hypot(4e-3/4, 1e-3); math.Abs(mean.Std()-want) > 1e-15 {
		t.Errorf("u = %v, want %v", mean.Std(), want)
	}
	if big, ok := mean.Biggest(); !ok || l.Input(big.Input).Kind != measured.Offset {
		t.Errorf("the biggest part is %v", l.Input(big.Input))
	}
}

func TestTermsOfOneInputAdd(t *testing.T) {
	v := measured.New(quantity.Of(1, quantity.Voltage), measured.Term{Input: 7, Part: 1}, measured.Term{Input: 3, Part: 2}, measured.Term{Input: 7, Part: -1})
	if len(v.Terms) != 2 || v.Terms[0].Input != 3 || v.Terms[1].Part != 0 {
		t.Errorf("terms %v", v.Terms)
	}
	if c := measured.Covariance(v, v); c != 4 {
		t.Errorf("covariance with itself %v, want the variance 4", c)
	}
}

func BenchmarkDerived(b *testing.B) {
	var l measured.Ledger
	value := func(x float64, d quantity.Dimension) measured.Value {
		return measured.New(quantity.Of(x, d), measured.Term{Input: l.Own(measured.Input{}), Part: 1e-3}, measured.Term{Input: l.Own(measured.Input{}), Part: 1e-3},
			measured.Term{Input: l.Own(measured.Input{}), Part: 1e-4}, measured.Term{Input: l.Own(measured.Input{}), Part: 1e-4})
	}
	vi, ii, vo, io := value(12, quantity.Voltage), value(1, quantity.Current), value(5, quantity.Voltage), value(2, quantity.Current)
	b.ReportAllocs()
	for b.Loop() {
		measured.Div(measured.Mul(vo, io), measured.Mul(vi, ii))
	}
}
