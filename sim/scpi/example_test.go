package scpi_test

import (
	"fmt"
	"time"

	"fourwire/sim/scpi"
)

// A bench supply with one output: a setting with limits, a switch, and a reading that takes an aperture.
func ExampleNewDevice() {
	volts, on := 0.0, false
	supply, err := scpi.NewDevice(scpi.Options{
		Maker: "Lakeside", Model: "Feed 30", Serial: "7", Firmware: "1.2",
		Commands: []scpi.Command{
			{
				Pattern: "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
				Params:  []scpi.Param{{Kind: scpi.Number, Unit: "V", Limits: scpi.Within(0, 30, 0)}},
				Set:     func(c *scpi.Call) error { volts = c.Float(0); return nil },
				Query:   func(c *scpi.Call) error { c.Number(volts); return nil },
			},
			{
				Pattern: "OUTPut[:STATe]",
				Params:  []scpi.Param{{Kind: scpi.Boolean}},
				Set:     func(c *scpi.Call) error { on = c.Bool(0); return nil },
				Query:   func(c *scpi.Call) error { c.Boolean(on); return nil },
			},
			{
				Pattern: "MEASure[:SCALar]:VOLTage[:DC]?",
				Query: func(c *scpi.Call) error {
					c.After(20*time.Millisecond, func(c *scpi.Call) error {
						if !on {
							c.Number(0)
							return nil
						}
						c.Number(volts)
						return nil
					})
					return nil
				},
			},
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	session := supply.Open(scpi.SessionOptions{})

	session.Feed([]byte("volt 12500 mv;:OUTP ON;OUTP?\nMEAS:VOLT?\nVOLT 31;VOLT? MAX\nSYST:ERR?\n"), false)
	now := int64(0)
	for {
		next := session.Run(now)
		fmt.Printf("%s", session.Output())
		if next == scpi.Never {
			break
		}
		fmt.Println("wait until", time.Duration(next))
		now = next
	}
	// Output:
	// 1
	// wait until 20ms
	// 1.250000E+01
	// 3.000000E+01
	// -222,"Data out of range"
}
