package sim

import (
	"math"
	"sort"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim/device"
)

// defaultNode has the figures of a small sensor node with a long-range radio at 3 V, from memory.
func defaultNode() device.NodeParams {
	return device.NodeParams{
		SleepA: 2e-6, WakeA: 1.5e-3, WakeNs: 2e6, SampleA: 3e-3, SampleNs: 5e6, ProcessA: 8e-3, ProcessNs: 20e6,
		TransmitW: 150e-3, TransmitNs: 60e6, PeriodNs: 60e9,
		RadioOhm: 10, RadioDrainOhm: 100, BootA: 10e-3, BootNs: 100e6, BrownOutV: 1.8, RestartV: 2, ResetNs: 1e6, OffA: 1e-6,
	}
}

func nanoseconds(seconds float64) int64 { return int64(math.Round(min(max(seconds*1e9, -1), 9e18))) }

func nodeNumbers() []field[Device] {
	amps := func(name, about string, at func(*device.NodeParams) *float64) field[Device] {
		return field[Device]{name, quantity.Current, about, func(d *Device, v float64) { *at(&d.Node) = v }}
	}
	times := func(name, about string, at func(*device.NodeParams) *int64) field[Device] {
		return field[Device]{name, quantity.Time, about, func(d *Device, v float64) { *at(&d.Node) = nanoseconds(v) }}
	}
	return []field[Device]{
		amps("sleep", "current between two cycles", func(p *device.NodeParams) *float64 { return &p.SleepA }),
		amps("tick", "current of the clock's short wake-ups while it sleeps", func(p *device.NodeParams) *float64 { return &p.TickA }),
		times("tick_time", "length of a tick; there is none where it is left out", func(p *device.NodeParams) *int64 { return &p.TickNs }),
		times("tick_every", "time from tick to tick", func(p *device.NodeParams) *int64 { return &p.TickEveryNs }),
		amps("wake", "current while it wakes up", func(p *device.NodeParams) *float64 { return &p.WakeA }),
		times("wake_time", "time of that", func(p *device.NodeParams) *int64 { return &p.WakeNs }),
		amps("sample", "current while it measures", func(p *device.NodeParams) *float64 { return &p.SampleA }),
		times("sample_time", "time of that", func(p *device.NodeParams) *int64 { return &p.SampleNs }),
		amps("process", "current while it computes", func(p *device.NodeParams) *float64 { return &p.ProcessA }),
		times("process_time", "time of that", func(p *device.NodeParams) *int64 { return &p.ProcessNs }),
		{"transmit", quantity.Power, "power of a transmission, whatever the voltage", func(d *Device, v float64) { d.Node.TransmitW = v }},
		times("transmit_time", "time of that", func(p *device.NodeParams) *int64 { return &p.TransmitNs }),
		amps("receive", "current in the receive window behind a transmission", func(p *device.NodeParams) *float64 { return &p.ReceiveA }),
		times("receive_time", "length of that window; there is none where it is left out", func(p *device.NodeParams) *int64 { return &p.ReceiveNs }),
		{"retry", quantity.Ratio, "probability that a transmission, with its window, is repeated", func(d *Device, v float64) { d.Node.RetryShare = v }},
		times("period", "time from cycle to cycle", func(p *device.NodeParams) *int64 { return &p.PeriodNs }),
		{"jitter", quantity.Ratio, "part by which a period is longer or shorter at most, drawn from the seed", func(d *Device, v float64) { d.Node.Jitter = v }},
		{"radio_capacitor", quantity.Capacitance, "behind the radio's switch, empty while the radio is off: its charge is the inrush of each transmission", func(d *Device, v float64) { d.Node.RadioF = v }},
		{"radio_switch", quantity.Resistance, "of the switch that charges it", func(d *Device, v float64) { d.Node.RadioOhm = v }},
		{"radio_drain", quantity.Resistance, "that empties it while the radio is off", func(d *Device, v float64) { d.Node.RadioDrainOhm = v }},
		{"bulk_capacitor", quantity.Capacitance, "across the supply", func(d *Device, v float64) { d.Node.BulkF = v }},
		{"bulk_resistance", quantity.Resistance, "its series resistance", func(d *Device, v float64) { d.Node.BulkOhm = v }},
		amps("boot", "current while it starts", func(p *device.NodeParams) *float64 { return &p.BootA }),
		times("boot_time", "time of that", func(p *device.NodeParams) *int64 { return &p.BootNs }),
		{"brown_out", quantity.Voltage, "supply below which it stops", func(d *Device, v float64) { d.Node.BrownOutV = v }},
		{"restart", quantity.Voltage, "supply above which it starts", func(d *Device, v float64) { d.Node.RestartV = v }},
		times("reset_time", "for which it stays off at least", func(p *device.NodeParams) *int64 { return &p.ResetNs }),
		amps("off", "current while it is off", func(p *device.NodeParams) *float64 { return &p.OffA }),
	}
}

func nodeFields() []diag.Field {
	fields := []diag.Field{
		{Name: "supply", Type: diag.Text(), Required: true, About: "node of its plus terminal"},
		{Name: "minus", Type: diag.Text(), About: "node of its minus terminal; ground where it is left out"},
		{Name: "retries", Type: diag.Whole(0, 100), About: "repetitions in one cycle at most; 3 where it is left out"},
	}
	return append(fields, fieldsOf(nodeNumbers())...)
}

const usualRetries = 3

func batteryNumbers() []field[Device] {
	return []field[Device]{
		{"capacity", quantity.Charge, "charge from full to empty", func(d *Device, v float64) { d.Battery.CapacityC = v }},
		{"charge", quantity.Ratio, "state of charge when the bench is switched on; full where it is left out", func(d *Device, v float64) { d.Battery.StartCharge = v }},
		{"resistance", quantity.Resistance, "series resistance, full and at 25 degC", func(d *Device, v float64) { d.Battery.SeriesOhm = v }},
		{"cutoff", quantity.Voltage, "loaded voltage below which it disconnects; 0 V is never", func(d *Device, v float64) { d.Battery.CutoffV = v }},
		{"recover", quantity.Voltage, "voltage without load above which it connects again; 0 V is never", func(d *Device, v float64) { d.Battery.RecoverV = v }},
		{"self_discharge", quantity.Ratio, "part of the capacity that is lost in a year of 8766 h", func(d *Device, v float64) { d.Battery.LeakPerYear = v }},
		{"activation", quantity.Energy, "activation energy of a mole, by which the resistance rises in the cold; 0 J: it does not", func(d *Device, v float64) { d.Battery.ActivationJ = v }},
		{"temperature", quantity.Temperature, "of the battery; that of the bench where it is left out", func(d *Device, v float64) { d.Battery.Celsius = celsius(v) }},
	}
}

func batteryFields() []diag.Field {
	pair := &diag.Shape{Title: "a pair", About: "a resistance with a capacitor across it", Fields: []diag.Field{
		{Name: "resistance", Type: diag.Amount(quantity.Resistance), Required: true, About: "the resistance"},
		{Name: "time", Type: diag.Amount(quantity.Time), Required: true, About: "its time constant"},
	}}
	fields := []diag.Field{
		{Name: "plus", Type: diag.Text(), Required: true, About: "node of the plus terminal"},
		{Name: "minus", Type: diag.Text(), About: "node of the minus terminal; ground where it is left out"},
		{Name: "chemistry", Type: diag.Word(device.Chemistries()...), About: "whose usual figures it has where the file states none; li-ion where it is left out"},
		{Name: "open_circuit", Type: diag.MapOf("states of charge", diag.Amount(quantity.Voltage)), About: "voltage without load against the state of charge, as in {0 %: 2.8 V, 100 %: 4.2 V}; straight between the points"},
		{Name: "resistance_against_charge", Type: diag.MapOf("states of charge", diag.Amount(quantity.Ratio)), About: "factor of the resistance against the state of charge"},
		{Name: "pairs", Type: diag.ListOf(diag.Struct(pair)), About: "at most two"},
	}
	return append(fields, fieldsOf(batteryNumbers())...)
}

// battery reads what is particular to a battery.
func (r *reader) battery(n *diag.Node, d *Device, ambientC float64) {
	name := "li-ion"
	if v := n.Get("chemistry"); v != nil {
		name = v.Text
	}
	d.Battery, _ = device.Chemistry(name)
	d.Battery.Celsius = ambientC
	fill(n, batteryNumbers(), d)
	if v := n.Get("open_circuit"); v != nil {
		d.Battery.OpenV = r.curve(v)
	}
	if v := n.Get("resistance_against_charge"); v != nil {
		d.Battery.SeriesShape = r.curve(v)
	}
	if v := n.Get("pairs"); v != nil {
		d.Battery.Pairs = [2]device.BatteryPair{}
		if len(v.Items) > len(d.Battery.Pairs) {
			r.found.Add(v.Place, "%d pairs: two are possible", len(v.Items))
		}
		for i, item := range v.Items[:min(len(v.Items), 2)] {
			ohm, _ := quantity.Parse(item.Get("resistance").Text)
			tau, _ := quantity.Parse(item.Get("time").Text)
			d.Battery.Pairs[i] = device.BatteryPair{Ohm: ohm.SI, TauSecond: tau.SI}
		}
	}
}

// curve reads a mapping of states of charge to values, in ascending order.
func (r *reader) curve(n *diag.Node) device.Curve {
	var c device.Curve
	for _, e := range n.Entries {
		x, err := quantity.ParseAs(strings.TrimSpace(e.Key), quantity.Ratio)
		if err != nil {
			r.found.Add(e.Place, "%s", err.Error())
			continue
		}
		y, _ := quantity.Parse(e.Value.Text)
		if x.SI < 0 || x.SI > 1 {
			r.found.Add(e.Place, "a state of charge is within 0 %% and 100 %%, not %s", e.Key)
			continue
		}
		c = append(c, device.Point{X: x.SI, Y: y.SI})
	}
	sort.Slice(c, func(i, j int) bool { return c[i].X < c[j].X })
	return c
}
