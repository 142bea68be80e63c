package instrument

import (
	"math"
	"time"

	"fourwire/sim/scpi"
)

// watchdog switches the outputs off when no message has come for a time: the controller is gone, or the cable. Reset disarms it.
type watchdog struct {
	on    bool
	span  int64 // ns; 0 is the usual
	heard int64 // when the last message came
}

// usualWatch is the time of a watchdog that was not told one; own choice.
const usualWatch = 10 * time.Second

func (w *watchdog) time() int64 {
	if w.span == 0 {
		return int64(usualWatch)
	}
	return w.span
}

// Heard tells the instrument that something has come in on one of its interfaces.
func (in *Instrument) Heard(now int64) { in.dog.heard = now }

// WatchedUntil returns the time at which the watchdog acts unless a message comes; Never where it has nothing to do.
func (in *Instrument) WatchedUntil() int64 {
	if !in.dog.on {
		return Never
	}
	for _, c := range in.channels {
		if c.out != nil && c.out.on {
			return in.dog.heard + in.dog.time()
		}
	}
	return Never
}

// Watch lets the watchdog act where its time has come.
func (in *Instrument) Watch(now int64) {
	if now < in.WatchedUntil() {
		return
	}
	in.lists.abort(now)
	for _, c := range in.channels {
		if c.out != nil && c.out.on {
			c.log(Tripped, "watchdog", float64(now-in.dog.heard)*1e-9)
			_ = c.turnOutput(false, now) // off is never refused
		}
	}
	in.world.Touch()
}

func (in *Instrument) watchdogCommands() []scpi.Command {
	return []scpi.Command{
		{
			Pattern: "SYSTem:WATChdog:TIMeout",
			Params:  []scpi.Param{{Kind: scpi.Number, Unit: "S", Limits: scpi.Within(0.1, 3600, usualWatch.Seconds())}},
			Set: func(call *scpi.Call) error {
				in.dog.span = int64(math.Round(call.Float(0) * 1e9))
				return nil
			},
			Query: func(call *scpi.Call) error { call.Number(float64(in.dog.time()) * 1e-9); return nil },
		},
		{
			Pattern: "SYSTem:WATChdog:STATe",
			Params:  []scpi.Param{{Kind: scpi.Boolean}},
			Set:     func(call *scpi.Call) error { in.dog.on = call.Bool(0); return nil },
			Query:   func(call *scpi.Call) error { call.Boolean(in.dog.on); return nil },
		},
	}
}
