package device

import (
	"math"
	"time"
)

// BuckParams describes a synchronous step-down converter. Resistances are those at 25 degC.
type BuckParams struct {
	SetV          float64 // output set point
	RegulationOhm float64 // DC load regulation: the output is SetV - RegulationOhm*I
	SwitchHz      float64 // 0.2 to 3 MHz
	HighOhm       float64 // high-side switch, 5 to 300 mohm
	LowOhm        float64 // low-side switch
	InductorH     float64
	CopperOhm     float64 // inductor winding
	OutputF       float64 // output capacitor
	OutputEsrOhm  float64
	RiseS         float64 // voltage-current overlap at turn-on, 2 to 30 ns
	FallS         float64 // at turn-off
	GateC         float64 // total gate charge of both switches, fed from the input, 2 to 50 nC
	SwitchF       float64 // capacitance of the switch node
	RecoveryC     float64 // recovery charge of the low-side body diode
	DeadS         float64 // dead time per edge, 5 to 50 ns
	BodyV         float64 // body diode
	CoreW         float64 // core loss at 500 kHz and 1 A of ripple: CoreW (f/500 kHz)^CoreByHertz (dI/1 A)^CoreByRipple
	CoreByHertz   float64
	CoreByRipple  float64
	ControllerA   float64 // supply current while switching
	QuiescentA    float64 // supply current in pulse skipping
	OffA          float64 // input current while off
	PulseA        float64 // peak current of a skip-mode pulse; 0 is a converter without pulse skipping
	MaxDuty       float64 // up to 1; at 1 the high side stays on in dropout
	MinOnS        float64 // shortest on-time; below it pulses are skipped; 0 is none
	LimitA        float64 // peak inductor current limit
	FoldbackShare float64 // of LimitA that is left at a shorted output; 0 or 1 is a brick wall
	Hiccup        bool    // turn off for HiccupOff after HiccupTrip below 60 % of SetV
	HiccupTrip    time.Duration
	HiccupOff     time.Duration
	OverV         float64 // output voltage at which it latches off after OverVDelay, until its input has been below FallLockoutV; 0 is none
	OverVDelay    time.Duration
	OverA         float64 // output current at which it latches off after OverADelay; 0 is none
	OverADelay    time.Duration
	SoftStart     time.Duration // ramp of the reference from 0 to SetV
	RiseLockoutV  float64       // the converter starts above
	FallLockoutV  float64       // and stops below
	ForcedPWM     bool          // switch at full frequency down to no load, where the inductor current turns negative
	DischargeOhm  float64       // across the output while off; 0 is none
	Heat          Heat          // of the switches and the controller; the inductor follows their temperature
	ShutdownC     float64       // thermal shutdown; 0 is none
	RestartC      float64
	CrossoverHz   float64 // of the control loop; 0 is a loop without delay
	Damping       float64 // of the loop; 1 is critical, 0 is none but the series resistance RegulationOhm
	HandOverBy    float64 // hysteresis of the hand-over between pulse skipping and PWM, relative; 0 is 10 %
}

const (
	switchPerK = 0.0045 // temperature coefficient of a switch's on-resistance, from memory
	copperPerK = 0.0039 // of copper
	coreHertz  = 500e3  // frequency that CoreW belongs to
	hiccupAt   = 0.6    // part of the set point below which the hiccup timer runs
)

// Validate refuses parameters that cannot be, all complaints in one error.
func (p *BuckParams) Validate() error {
	c := check{part: "step-down converter"}
	c.positive("SetV", p.SetV)
	c.within("RegulationOhm", p.RegulationOhm, 1e-5, 10)
	c.positive("SwitchHz", p.SwitchHz)
	c.positive("HighOhm", p.HighOhm)
	c.positive("LowOhm", p.LowOhm)
	c.positive("InductorH", p.InductorH)
	c.positive("CopperOhm", p.CopperOhm)
	c.positive("LimitA", p.LimitA)
	c.within("MaxDuty", p.MaxDuty, 0.1, 1)
	for _, q := range []struct {
		name string
		x    float64
	}{
		{"OutputF", p.OutputF}, {"OutputEsrOhm", p.OutputEsrOhm}, {"RiseS", p.RiseS}, {"FallS", p.FallS}, {"GateC", p.GateC},
		{"SwitchF", p.SwitchF}, {"RecoveryC", p.RecoveryC}, {"DeadS", p.DeadS}, {"BodyV", p.BodyV}, {"CoreW", p.CoreW},
		{"CoreByHertz", p.CoreByHertz}, {"CoreByRipple", p.CoreByRipple}, {"ControllerA", p.ControllerA},
		{"QuiescentA", p.QuiescentA}, {"OffA", p.OffA}, {"PulseA", p.PulseA}, {"MinOnS", p.MinOnS},
		{"RiseLockoutV", p.RiseLockoutV}, {"FallLockoutV", p.FallLockoutV}, {"DischargeOhm", p.DischargeOhm},
		{"OverV", p.OverV}, {"OverA", p.OverA}, {"OverVDelay", p.OverVDelay.Seconds()}, {"OverADelay", p.OverADelay.Seconds()},
		{"ShutdownC", p.ShutdownC}, {"RestartC", p.RestartC},
	} {
		c.notNegative(q.name, q.x)
	}
	c.within("FoldbackShare", p.FoldbackShare, 0, 1)
	c.within("HandOverBy", p.HandOverBy, 0, 0.9)
	if p.FallLockoutV > p.RiseLockoutV {
		c.add("FallLockoutV is %g, above RiseLockoutV, %g", p.FallLockoutV, p.RiseLockoutV)
	}
	if p.RestartC > p.ShutdownC {
		c.add("RestartC is %g, above ShutdownC, %g", p.RestartC, p.ShutdownC)
	}
	if p.DeadS*2*p.SwitchHz > 0.2 {
		c.add("DeadS is %g, more than a tenth of a period", p.DeadS)
	}
	if p.Hiccup && (p.HiccupOff <= 0 || p.HiccupTrip < 0) {
		c.add("HiccupOff is %v; hiccup needs an off-time", p.HiccupOff)
	}
	c.loop(p.CrossoverHz, p.Damping, p.OutputF)
	p.Heat.check(&c)
	return c.err()
}

// deadShare is the part of a period in which the body diode conducts, at full frequency.
func (p *BuckParams) deadShare() float64 { return 2 * p.DeadS * p.SwitchHz }

// BuckMode is a frozen mode of a Buck; it is a circuit.Mode.
type BuckMode uint8

// The modes.
const (
	BuckDisabled BuckMode = iota // by its enable input
	BuckLockout                  // the input is or was below the lock-out threshold
	BuckSkip                     // pulse skipping
	BuckPWM                      // switching at full frequency, continuous conduction
	BuckPass                     // high side always on (MaxDuty 1, in dropout)
	BuckTripped                  // thermal shutdown
	BuckHiccup                   // off-time after an overload
	BuckLatched                  // off since a protection tripped
)

func (m BuckMode) String() string {
	switch m {
	case BuckDisabled:
		return "disabled"
	case BuckLockout:
		return "under-voltage lock-out"
	case BuckSkip:
		return "pulse skipping"
	case BuckPWM:
		return "PWM"
	case BuckPass:
		return "100 % duty"
	case BuckTripped:
		return "thermal shutdown"
	case BuckLatched:
		return "protection latched"
	}
	return "hiccup off-time"
}

// Running tells whether the converter delivers in this mode.
func (m BuckMode) Running() bool { return m == BuckSkip || m == BuckPWM || m == BuckPass }

// Buck is a step-down converter with its state, a circuit.TwoPort (input, output) and a circuit.Modal.
type Buck struct {
	BuckParams
	Enabled    bool
	Celsius    float64 // temperature of switches and winding
	ReferenceV float64 // present reference; SetV after the soft start
	Loop       *Loop   // nil: the output follows without delay

	mode     BuckMode
	overload time.Duration // time spent below the hiccup threshold
	rest     time.Duration // off-time left
	high     time.Duration // time spent above OverV
	much     time.Duration // and above OverA
	latched  bool
}

// NewBuck returns an enabled converter at ambient temperature with its soft start done, locked out until its input is
// seen above the threshold.
func NewBuck(p BuckParams) (*Buck, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if p.HandOverBy == 0 {
		p.HandOverBy = 0.1
	}
	if p.FoldbackShare == 0 {
		p.FoldbackShare = 1
	}
	b := &Buck{BuckParams: p, Enabled: true, Celsius: p.Heat.AmbientC, ReferenceV: p.SetV, mode: BuckLockout}
	if p.CrossoverHz > 0 {
		b.Loop = NewLoop(p.CrossoverHz, p.Damping, p.OutputF)
	}
	return b, nil
}

// stage holds what the equations need at the present temperature.
type stage struct {
	highOhm, lowOhm, copperOhm float64
	dead                       float64 // dead-time share of a period
	a, b                       float64 // D = (Vout + I a + dead Vf)/(Vin + I b)
}

func (b *Buck) stage() stage {
	warm := b.Celsius - 25
	s := stage{
		highOhm:   b.HighOhm * math.Max(1+switchPerK*warm, 0.1),
		lowOhm:    b.LowOhm * math.Max(1+switchPerK*warm, 0.1),
		copperOhm: b.CopperOhm * math.Max(1+copperPerK*warm, 0.1),
		dead:      b.deadShare(),
	}
	s.a = s.copperOhm + s.lowOhm*(1-s.dead)
	s.b = s.lowOhm - s.highOhm
	return s
}

// topDuty is the largest duty while switching.
func (b *Buck) topDuty() float64 { return min(b.MaxDuty, 1-b.deadShare()) }
