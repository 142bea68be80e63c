package pulse_test

import (
	"fmt"
	"math"

	"fourwire/analysis/pulse"
	"fourwire/quantity"
)

// The buoy's 5 V rail comes up through one pole of 2 ms, sampled every 20 us by a digitiser with steps of 1 mV.
func ExampleAnalyse() {
	tr := pulse.Trace[float32]{IntervalSeconds: 20e-6, StartSeconds: -10e-3, Step: 1e-3}
	for i := range 2000 {
		t := tr.StartSeconds + float64(i)*tr.IntervalSeconds
		volts := 5 * (1 - math.Exp(-max(0, t)/2e-3))
		tr.Samples = append(tr.Samples, float32(math.Round(volts*1000)/1000))
	}
	r, err := pulse.Analyse(tr, pulse.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	rise := r.Transitions[0].Duration
	fmt.Println("high", quantity.Of(r.High.X, quantity.Voltage).Text(4))
	fmt.Println("10-90 %", quantity.Of(rise.X, quantity.Time).Text(3))
	fmt.Println("settled to 2 % after", quantity.Of(r.Transitions[0].Settled.X, quantity.Time).Text(3))
	fmt.Println("period:", r.Period.Missing)
	// Output:
	// high 5 V
	// 10-90 % 4.39 ms
	// settled to 2 % after 7.82 ms
	// period: a second transition is missing
}
