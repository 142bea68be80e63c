package instrument

import "fourwire/sim/scpi"

// Lines is how many trigger lines an instrument has.
const Lines = 4

// trigger is what a sequence waits for.
type trigger uint8

const (
	atOnce trigger = iota
	bySoftware
	onVolts
	onAmps
	onOutput
	onLine // the first of Lines
)

// What a trigger line pulses at.
const (
	pulseStep uint8 = iota
	pulseCapture
	pulseOutput
)

// outlet is the driving side of one trigger line.
type outlet struct {
	at uint8
	on bool
}

// pulse has every line pulse that does so at a kind of event.
func (in *Instrument) pulse(at uint8, now int64) {
	for i, o := range in.outlets {
		if o.on && o.at == at {
			in.world.Pulse(in.spec.Name, i+1, now)
		}
	}
}

// Triggered tells the instrument of a pulse on one of its trigger lines.
func (in *Instrument) Triggered(line int, now int64) {
	source := onLine + trigger(line-1)
	if in.lists != nil && in.lists.source == source {
		in.lists.trigger(now)
	}
	if in.capture.source == source {
		in.capture.trigger(now)
	}
}

// switchedOn is told that an output or input went on.
func (in *Instrument) switchedOn(now int64) {
	if in.capture.source == onOutput {
		in.capture.trigger(now)
	}
	in.pulse(pulseOutput, now)
}

// busTrigger is *TRG: it triggers what waits for a software trigger.
func (in *Instrument) busTrigger(call *scpi.Call) error {
	hit := false
	if in.lists != nil && in.lists.source == bySoftware {
		hit = in.lists.trigger(call.Now())
	}
	if in.capture.source == bySoftware && in.capture.trigger(call.Now()) {
		hit = true
	}
	if !hit {
		return scpi.TriggerIgnored
	}
	return nil
}
