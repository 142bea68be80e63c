package verdict

import (
	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// GlobalRisk is what a test does to a whole production, in probabilities.
type GlobalRisk struct {
	FalseAccept            float64 // an item is bad and is accepted
	FalseReject            float64 // an item is good and is rejected
	ConditionalFalseAccept float64 // an accepted item is bad
}

// Global works out the risks of a test with limits lower..upper and acceptance limits lower+band..upper-band, for a process
// that is normal about processMean with processStd and a measurement with standard uncertainty testStd. It is the double
// integral of JCGM 106:2012, clause 9, with the inner one in closed form.
func Global(processMean, processStd, testStd, lower, upper, band float64) GlobalRisk {
	process := distuv.Normal{Mu: processMean, Sigma: processStd}
	accepted := func(truth float64) float64 {
		test := distuv.Normal{Mu: truth, Sigma: testStd}
		return test.CDF(upper-band) - test.CDF(lower+band)
	}
	over := func(from, to float64, f func(truth float64) float64) float64 {
		// panels short against both widths keep the rule exact to many digits
		const panels = 64
		step, sum := (to-from)/panels, 0.0
		for i := range panels {
			a := from + float64(i)*step
			sum += quad.Fixed(f, a, a+step, 16, nil, 0)
		}
		return sum
	}
	reach := 10 * processStd
	bad := func(truth float64) float64 { return process.Prob(truth) * accepted(truth) }
	var r GlobalRisk
	if low := processMean - reach; low < lower {
		r.FalseAccept += over(low, lower, bad)
	}
	if high := processMean + reach; high > upper {
		r.FalseAccept += over(upper, high, bad)
	}
	r.FalseReject = over(lower, upper, func(truth float64) float64 { return process.Prob(truth) * (1 - accepted(truth)) })
	acceptedGood := over(lower, upper, bad)
	r.ConditionalFalseAccept = r.FalseAccept / (r.FalseAccept + acceptedGood)
	return r
}
