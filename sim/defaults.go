package sim

import (
	"time"

	"fourwire/sim/device"
	"fourwire/sim/instrument"
)

// The figures below are those of mid-range bench instruments and parts, from memory; a scenario states its own where they matter. The
// errors are drawn within limits, so that two seeds are two specimens.

func defaultBuck() device.BuckParams {
	return device.BuckParams{
		RegulationOhm: 2e-3, SwitchHz: 500e3, HighOhm: 30e-3, LowOhm: 20e-3, InductorH: 4.7e-6, CopperOhm: 15e-3,
		OutputEsrOhm: 3e-3, RiseS: 8e-9, FallS: 8e-9, GateC: 12e-9, SwitchF: 150e-12, RecoveryC: 10e-9, DeadS: 20e-9, BodyV: 0.7,
		CoreW: 20e-3, CoreByHertz: 1.3, CoreByRipple: 2.3, ControllerA: 1.5e-3, QuiescentA: 30e-6, OffA: 1e-6, PulseA: 0.8,
		Damping: 0.5, MaxDuty: 0.95, LimitA: 4.5, SoftStart: 2 * time.Millisecond,
		ShutdownC: 150, RestartC: 130,
	}
}

func defaultBoost() device.BoostParams {
	return device.BoostParams{
		RegulationOhm: 2e-3, SwitchHz: 1e6, InductorH: 2.2e-6, CopperOhm: 50e-3, LowOhm: 80e-3, HighOhm: 100e-3,
		RiseS: 5e-9, FallS: 5e-9, GateC: 6e-9, SwitchF: 100e-12, DeadS: 15e-9, BodyV: 0.7, ControllerA: 1e-3, OffA: 1e-6, LimitA: 3,
		ShutdownC: 150, RestartC: 130,
	}
}

func defaultLdo() device.LdoParams {
	return device.LdoParams{
		RegulationOhm: 5e-3, PassOhm: 0.35, QuiescentA: 25e-6, GroundPerAmp: 0.004, DropoutA: 2e-3, MostA: 0.6, ShortA: 0.25, OffA: 1e-6, Damping: 0.5,
		ShutdownC: 150, RestartC: 130,
	}
}

func defaultChannel(k instrument.Kind) (c Channel) {
	lists := instrument.ListSpec{Steps: 512, LeastDwell: 50 * time.Microsecond}
	switch k {
	case instrument.Switch: // a relay of a card: from memory
		c.Relay = instrument.RelaySpec{ClosedOhm: 0.1, Moves: 5 * time.Millisecond}
		return c
	case instrument.Load:
		c = defaultLoad()
		c.Digitiser = instrument.DigitiserSpec{Least: 2 * time.Microsecond, Points: 32768, Readings: 10000, BandwidthHertz: 100e3, Skew: 100 * time.Nanosecond, Bits: 16}
		lists.Steps = 256
	case instrument.Meter:
		c = defaultMeter()
		c.Digitiser = instrument.DigitiserSpec{Least: 20 * time.Microsecond, Points: 50000, Readings: 50000, BandwidthHertz: 20e3, Bits: 16}
		return c
	case instrument.Unit:
		c = defaultUnit()
		c.Digitiser = instrument.DigitiserSpec{Least: time.Microsecond, Points: 65536, Readings: 10000, BandwidthHertz: 100e3, Skew: 50 * time.Nanosecond, Bits: 18}
	default:
		c = defaultSource()
		c.Digitiser = instrument.DigitiserSpec{Least: 20 * time.Microsecond, Points: 4096, Readings: 1000, BandwidthHertz: 10e3, Skew: time.Microsecond, Bits: 16}
		lists = instrument.ListSpec{Steps: 100, LeastDwell: time.Millisecond}
	}
	c.List = lists
	return c
}

func defaultSource() Channel {
	return Channel{
		Output: instrument.OutputSpec{
			MaxVolts: 32, MaxAmps: 10, MaxWatts: 200, VoltsStep: 1e-3, AmpsStep: 1e-3,
			RcvOhm: 1e-3, RccOhm: 10e3, BleedOhm: 1e3, Farad: 470e-6, SlewUp: 500, SlewDown: 500,
			OverVoltsDelay: 50 * time.Microsecond, OverAmpsDelay: time.Millisecond,
			CompensationVolts: 2, SenseInputOhm: 10e6, ProtectOhm: 10e3,
		},
		SetVolts: Deviation{GainWithin: 240e-6, OffsetWithin: 3e-3},
		SetAmps:  Deviation{GainWithin: 500e-6, OffsetWithin: 3e-3},
		Volts:    []Range{{Deviation: Deviation{GainWithin: 250e-6, OffsetWithin: 2.5e-3}, Noise: 0.25e-3, Resolution: 0.1e-3}},
		Amps:     []Range{{Deviation: Deviation{GainWithin: 400e-6, OffsetWithin: 2e-3}, Noise: 0.2e-3, Resolution: 0.1e-3}},
	}
}

func defaultLoad() Channel {
	return Channel{
		Input: instrument.InputSpec{
			MaxVolts: 80, MaxAmps: 30, MaxWatts: 200, AmpsRanges: []float64{3, 30},
			MinOhm: 25e-3, MinVolts: 0.5, LowOhms: 0.1, HighOhms: 10e3, Slew: 100e3, LeakOhm: 300e3,
			OverAmpsDelay: time.Millisecond,
		},
		SetVolts: Deviation{GainWithin: 250e-6, OffsetWithin: 8e-3},
		SetAmps:  Deviation{GainWithin: 400e-6, OffsetWithin: 1.5e-3},
		SetOhms:  Deviation{GainWithin: 0.4e-2},
		SetWatts: Deviation{GainWithin: 0.15e-2},
		Volts: []Range{
			{Full: 8, Deviation: Deviation{GainWithin: 150e-6, OffsetWithin: 0.8e-3}, Noise: 0.1e-3, Resolution: 0.1e-3},
			{Full: 80, Deviation: Deviation{GainWithin: 150e-6, OffsetWithin: 6e-3}, Noise: 0.8e-3, Resolution: 1e-3},
		},
		Amps: []Range{
			{Full: 3, Deviation: Deviation{GainWithin: 300e-6, OffsetWithin: 0.5e-3}, Noise: 50e-6, Resolution: 50e-6},
			{Full: 30, Deviation: Deviation{GainWithin: 300e-6, OffsetWithin: 4e-3}, Noise: 0.4e-3, Resolution: 0.5e-3},
		},
	}
}

func defaultMeter() Channel {
	c := Channel{Settle: 500 * time.Microsecond, Switch: 5 * time.Millisecond}
	for _, r := range []struct{ full, beyond, gain, offset, noise float64 }{
		{0.1, 1.2, 40e-6, 2.8e-6, 0.25e-6},
		{1, 1.2, 32e-6, 5.6e-6, 0.8e-6},
		{10, 1.2, 28e-6, 40e-6, 4e-6},
		{100, 1.2, 36e-6, 0.45e-3, 40e-6},
		{1000, 1.05, 36e-6, 8e-3, 0.4e-3},
	} {
		c.Volts = append(c.Volts, Range{Full: r.full, Beyond: r.beyond, Ohm: 10e6, Resolution: r.full * 1e-6, Noise: r.noise,
			Deviation: Deviation{GainWithin: r.gain, OffsetWithin: r.offset}})
	}
	for _, r := range []struct{ full, beyond, gain, offset, noise, burden float64 }{
		{0.01, 1.2, 400e-6, 1.6e-6, 8e-9, 5},
		{0.1, 1.2, 400e-6, 4e-6, 80e-9, 1},
		{1, 1.2, 650e-6, 80e-6, 1.6e-6, 0.1},
		{3, 1.1, 800e-6, 0.5e-3, 8e-6, 0.05},
		{10, 1.05, 1200e-6, 1.6e-3, 25e-6, 0.01},
	} {
		c.Amps = append(c.Amps, Range{Full: r.full, Beyond: r.beyond, Ohm: r.burden, Resolution: r.full * 1e-6, Noise: r.noise,
			Deviation: Deviation{GainWithin: r.gain, OffsetWithin: r.offset}})
	}
	return c
}

func defaultUnit() Channel {
	c := Channel{
		Output: instrument.OutputSpec{
			MaxVolts: 20, MaxAmps: 3, MaxWatts: 40, VoltsStep: 10e-6, AmpsStep: 1e-9, RcvOhm: 0.5e-3, RccOhm: 100e3, MaxSeriesOhm: 100, Farad: 1e-9,
			OverVoltsDelay: 50 * time.Microsecond, OverAmpsDelay: time.Millisecond,
			CompensationVolts: 2, SenseInputOhm: 10e6, ProtectOhm: 10e3,
		},
		SetVolts: Deviation{GainWithin: 150e-6, OffsetWithin: 1e-3},
		SetAmps:  Deviation{GainWithin: 300e-6, OffsetWithin: 100e-9},
		Switch:   3 * time.Millisecond,
	}
	for _, full := range []float64{2, 20} {
		c.Volts = append(c.Volts, Range{Full: full, Beyond: 1.05, Noise: full * 1e-6, Resolution: full * 5e-7,
			Deviation: Deviation{GainWithin: 100e-6, OffsetWithin: full * 40e-6}})
	}
	for _, full := range []float64{1e-6, 10e-6, 100e-6, 1e-3, 10e-3, 100e-3, 1, 3} {
		c.Amps = append(c.Amps, Range{Full: full, Beyond: 1.05, Noise: full * 2e-6, Resolution: full * 5e-7,
			Deviation: Deviation{GainWithin: 150e-6, OffsetWithin: full * 60e-6}})
	}
	return c
}
