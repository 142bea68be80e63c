package device

func referenceBuck() BuckParams {
	return BuckParams{
		SetV: 3.3, RegulationOhm: 2e-3, SwitchHz: 500e3, HighOhm: 30e-3, LowOhm: 20e-3, InductorH: 4.7e-6, CopperOhm: 15e-3,
		OutputF: 44e-6, OutputEsrOhm: 3e-3, RiseS: 8e-9, FallS: 8e-9, GateC: 12e-9, SwitchF: 150e-12, RecoveryC: 10e-9,
		DeadS: 20e-9, BodyV: 0.7, CoreW: 20e-3, CoreByHertz: 1.3, CoreByRipple: 2.3, ControllerA: 1.5e-3, QuiescentA: 30e-6,
		OffA: 1e-6, PulseA: 0.8, MaxDuty: 0.95, LimitA: 4.5, MinOnS: 80e-9, Heat: Heat{AmbientC: 25},
	}
}
