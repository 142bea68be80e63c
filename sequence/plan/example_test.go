package plan_test

import (
	"fmt"

	"fourwire/sequence/plan"
)

func ExampleFit_Text() {
	fit := plan.Fit{
		Verdict: plan.Tight, Points: 60, Seconds: 4.8,
		Roles: []plan.RoleFit{{Role: "sink", Kind: "load", Node: "dut.out", Chosen: "eload", Candidates: []plan.Candidate{
			{Name: "eload", Verdict: plan.Tight, Margins: []plan.Margin{
				{Kind: "minimum voltage", Part: 0.12, Text: "4.5 V - 2 x 3 A x 15 mohm = 4.41 V at the load of at least 3.88 V", At: "iout 3 A"},
				{Kind: "amps", Part: 0.9, Text: "3 A of 30 A", At: "iout 3 A"},
			}},
			{Name: "spare", Verdict: plan.Misfits, Why: "wired at dut.aux"},
		}}},
		Gauges: []plan.GaugeFit{{Measurement: "v(dut.out)", Channel: "dmm-out",
			Low: &plan.Reach{Value: 5, Range: 10, U: 0.0004, Unit: "V"}, High: &plan.Reach{Value: 5, Range: 10, U: 0.0004, Unit: "V"}}},
	}
	fmt.Print(fit.Text())
	// Output:
	// sink (load at dut.out): eload
	//   eload: tight
	//     > minimum voltage   12.0 %  4.5 V - 2 x 3 A x 15 mohm = 4.41 V at the load
	//                                 of at least 3.88 V (at iout 3 A)
	//       amps              90.0 %  3 A of 30 A (at iout 3 A)
	//   spare: wired at dut.aux
	// readings
	//   v(dut.out): dmm-out, 5 V on 10 V: U 400 uV
	// 60 points, about 4.8 s
	// verdict: tight
}
