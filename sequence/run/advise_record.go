package run

import (
	"fmt"
	"math"
	"strings"

	"fourwire/quantity/measured"
)

// What the length of recordings leaves open is an input of its own, with one of these at the end of its name.
const (
	lengthOfOne  = " length of the recording"
	lengthOfBoth = "length of the recordings"
)

// mostLonger is how many times as long a recording may have to be to be advised: a day in place of some seconds.
const mostLonger = 10_000

// recordLonger finds how much longer the recordings that a value comes from must be, where the rest of its variance would do. What so few
// events leave open falls with the root of the time, and with the time itself where they come periodically.
func (r *runner) recordLonger(v measured.Value, target float64) (text string, variance float64) {
	length, rest, name := 0.0, 0.0, ""
	for _, t := range v.Terms {
		in := r.cfg.Ledger.Input(t.Input).Name
		if trace, ok := strings.CutSuffix(in, lengthOfOne); ok || in == lengthOfBoth {
			length += t.Part * t.Part
			if name != "" && name != trace || !ok {
				trace = lengthOfBoth
			}
			name = trace
			continue
		}
		rest += t.Part * t.Part
	}
	if name == "" || rest >= target {
		return "", 0
	}
	factor, regular := length/(target-rest), false
	d := r.drains[name]
	if d != nil && d.result != nil {
		regular = d.result.Statistics.Regular
	}
	times := factor
	if regular {
		times = math.Sqrt(factor)
	}
	if !(times > 1 && times <= mostLonger) {
		return "", 0
	}
	times = math.Ceil(times*10) / 10
	if variance = rest + length/times; regular {
		variance = rest + length/(times*times)
	}
	if d == nil {
		return fmt.Sprintf("record each %.3g times as long", times), variance
	}
	seconds := d.kept.ToSeconds - d.kept.FromSeconds
	return fmt.Sprintf("record %s for %s in place of %s", name, spanText(math.Ceil(times*seconds)), spanText(seconds)), variance
}
