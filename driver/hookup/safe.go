package hookup

import (
	"context"
	"errors"
	"fmt"
	"math"

	"fourwire/driver"
)

// off switches one channel off and makes sure that it is.
func (k *checker) off(ctx context.Context, p *probe) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("a fault of the program itself: %v", fault)
		}
	}()
	ctx, cancel := k.clock.WithTimeout(ctx, offWithin)
	defer cancel()
	if p.load != nil {
		err = p.load.Input(ctx, false)
	} else {
		err = p.source.Output(ctx, false)
	}
	if err == nil {
		p.on = false
	}
	return err
}

// makeSafe switches everything off that this check may have switched on, loads before sources, each with its own time; what fails is tried once more by
// stopping the instrument as a whole. Then the nodes are looked at.
func (k *checker) makeSafe(ctx context.Context) error {
	var all error
	k.eachPowered(func(p *probe) {
		if !p.on {
			return
		}
		first := k.off(ctx, p)
		if first == nil {
			return
		}
		if err := k.abort(ctx, p); err != nil {
			first = errors.Join(first, err)
		}
		if err := k.off(ctx, p); err != nil {
			all = errors.Join(all, &NotSafe{Channel: p.String(), Err: errors.Join(first, err)})
		}
	})
	k.release(ctx)
	k.discharge(ctx)
	return all
}

// eachPowered calls f for loads, then for sources.
func (k *checker) eachPowered(f func(*probe)) {
	for _, p := range k.probes {
		if p.load != nil {
			f(p)
		}
	}
	for _, p := range k.probes {
		if p.source != nil && p.load == nil {
			f(p)
		}
	}
}

func (k *checker) abort(ctx context.Context, p *probe) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("a fault of the program itself: %v", fault)
		}
	}()
	ctx, cancel := k.clock.WithTimeout(ctx, offWithin)
	defer cancel()
	return p.instrument.Abort(ctx)
}

// release lets go of latches that the check has made trip, so that the next user finds the instruments as a reset leaves them.
func (k *checker) release(ctx context.Context) {
	ctx, cancel := k.clock.WithTimeout(ctx, offWithin)
	defer cancel()
	for _, p := range k.probes {
		if p.touched && p.source != nil && !p.on {
			_ = p.source.ClearProtection(ctx) // an instrument that cannot is reset by whoever prepares it next
			_ = p.source.SetVolts(ctx, 0)
		}
	}
}

// discharge says what stands at each node that was under power.
func (k *checker) discharge(ctx context.Context) {
	seen := map[string]bool{}
	for _, p := range k.probes {
		if !p.touched || seen[p.wire.Node] || p.source == nil {
			continue
		}
		seen[p.wire.Node] = true
		state := "nothing reads its voltage; it was never above " + volts(k.level(p, 0).top)
		if g := k.gauge(p.wire.Node); g != nil {
			state = k.watch(ctx, g)
		}
		k.report.After = append(k.report.After, After{Node: p.wire.Node, State: state})
	}
}

func (k *checker) watch(ctx context.Context, g *probe) string {
	ctx, cancel := k.clock.WithTimeout(ctx, offWithin)
	defer cancel()
	return driver.Discharge{Within: settleWithin, Expect: math.NaN(), Clock: k.clock}.Watch(ctx, g.volts).String()
}
