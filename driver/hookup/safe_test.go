package hookup_test

import (
	"context"
	"errors"
	"testing"

	"fourwire/driver"
	"fourwire/driver/hookup"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/transport/transporttest"
)

// outputsOff tells whether anything is still on, by what the simulator itself says.
func (s *simulated) live() (on []string) {
	last := map[string]bool{}
	for _, e := range s.Events() {
		switch e.Text {
		case "on":
			last[e.Instrument] = true
		case "off":
			delete(last, e.Instrument)
		}
	}
	for name := range last {
		on = append(on, name)
	}
	return on
}

// Whichever message is lost, every output is off afterwards and the check does not say that the bench is right; messages are taken one in eleven, and
// every one about the switching on.
func TestWhateverMessageIsLostOutputsAreOff(t *testing.T) {
	fired := 0
	for k := 1; ; k += 11 {
		s := build(t, linkedScenario, converterBench, 1)
		fault := transporttest.NewFault(k)
		var found diag.Findings
		for _, in := range s.config.Bench.Instruments {
			data, _ := model.FromLibrary(in.Model)
			link, err := s.Link(in.Name)
			if err != nil {
				t.Fatal(err)
			}
			one, err := driver.Open(context.Background(), driver.Config{Name: in.Name, Model: model.Read(in.Model, data, &found), Link: fault.Wrap(link), Clock: s.Clock()})
			if fault.Fired() && err != nil {
				one = nil
			} else if err != nil {
				t.Fatal(err)
			}
			if one != nil {
				s.config.Instruments[in.Name] = one
			}
		}
		opened := fault.Fired()
		rep, err := hookup.Check(context.Background(), s.config)
		if on := s.live(); len(on) > 0 {
			t.Errorf("message %d: %v still on", k, on)
		}
		if !fault.Fired() {
			if err != nil || !rep.Right {
				t.Errorf("the undisturbed check: %v\n%s", err, rep.Text())
			}
			break
		}
		fired++
		if !opened && err == nil && rep.Right {
			continue // it was a message whose loss changed nothing: switching off was tried again
		}
		if !opened && err != nil && rep.Right {
			t.Errorf("message %d: right, and %v", k, err)
		}
		var live *hookup.NotSafe
		if errors.As(err, &live) {
			t.Errorf("message %d: %v", k, err)
		}
	}
	if fired < 20 {
		t.Errorf("only %d messages were disturbed", fired)
	}
}

// A check that is ended half way switches off with its own time.
func TestACheckThatIsEndedSwitchesOff(t *testing.T) {
	for _, stage := range []string{"feed-psu at a harmless level", "looking at the bench with everything off"} {
		s := build(t, linkedScenario, converterBench, 1)
		ctx, cancel := context.WithCancel(context.Background())
		s.config.Progress = func(text string) {
			if text == stage {
				cancel()
			}
		}
		rep, err := hookup.Check(ctx, s.config)
		if !errors.Is(err, context.Canceled) || rep.Right {
			t.Errorf("%s: %v, right %v", stage, err, rep.Right)
		}
		if on := s.live(); len(on) > 0 {
			t.Errorf("%s: %v still on", stage, on)
		}
		cancel()
	}
}

// A charged node is not fed: 47 mF at 9 V stay from somebody's run before.
func TestALiveNodeIsNotFed(t *testing.T) {
	s := build(t, linkedScenario, converterBench, 1)
	aux := s.config.Instruments["feed-psu"]
	src, err := aux.Source(1)
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	for _, err := range []error{aux.Prepare(ctx), src.SetAmps(ctx, 1), src.SetVolts(ctx, 9), src.Output(ctx, true), s.Clock().Sleep(ctx, 1e9)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	delete(s.config.Instruments, "feed-psu") // somebody else's supply now
	rep, err := hookup.Check(ctx, s.config)
	if err != nil || rep.Right || len(rep.Faults) == 0 || rep.Faults[0].Kind != hookup.Live || len(rep.Levels) != 0 {
		t.Errorf("%v\n%s", err, rep.Text())
	}
}

// Without a nominal voltage no output goes above 0.3 V; two earthed channels are a warning.
func TestAnUnknownNodeGetsLittle(t *testing.T) {
	text := converterBench[:len(converterBench)-len("nodes:\n  dut.in: {nominal: 12 V}\n")]
	s := build(t, linkedScenario, text, 1)
	s.config.Bench.Wiring[0].Earthed, s.config.Bench.Wiring[5].Earthed = true, true
	rep := s.check(t)
	if !rep.Right || s.most > 0.3 {
		t.Errorf("%g V at %s\n%s", s.most, s.worst, rep.Text())
	}
	if len(rep.Faults) != 1 || rep.Faults[0].Kind != hookup.TwoEarths || !rep.Faults[0].Doubt {
		t.Errorf("%s", rep.Text())
	}
}
