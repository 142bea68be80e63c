package hookup_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"fourwire/driver"
	"fourwire/driver/hookup"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sim"
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

// So does one that is ended while a source is on, and while a load is.
func TestACheckThatIsEndedWithOutputsOnSwitchesOff(t *testing.T) {
	for _, name := range []string{"feed-psu", "sink"} {
		s := build(t, linkedScenario, converterBench, 1)
		ctx, cancel := context.WithCancel(context.Background())
		s.OnEvent(func(e sim.Event) {
			if e.Instrument == name && e.Text == "on" {
				cancel()
			}
		})
		rep, err := hookup.Check(ctx, s.config)
		if !errors.Is(err, context.Canceled) || rep.Right {
			t.Errorf("%s: %v, right %v", name, err, rep.Right)
		}
		if on := s.live(); len(on) > 0 {
			t.Errorf("ended with %s on: %v still on", name, on)
		}
		cancel()
	}
}

// No level is above 8 % of what the node is meant for, nor above what a diode takes to conduct twice; sources differ.
func TestLevelsAreHarmless(t *testing.T) {
	for _, nominal := range []float64{1.2, 1.8, 3.3, 5, 9, 12, 24, 48, 400} {
		s := build(t, railsScenario, railsBench, 1)
		c := s.config
		c.Nominal = map[string]float64{"rail.a": nominal, "rail.b": nominal}
		models := map[string]*model.Model{}
		for name, in := range c.Instruments {
			models[name] = in.Model()
		}
		levels := hookup.Levels(c, models)
		if len(levels) != 2 || levels[0].Volts == levels[1].Volts {
			t.Fatalf("%g V: %+v", nominal, levels)
		}
		for _, l := range levels {
			if l.Volts > 0.0801*nominal || l.Volts > 0.9 || l.Volts <= 0 || l.Amps > 0.25 || l.OverV < 1 {
				t.Errorf("%g V: %+v", nominal, l)
			}
		}
	}
}

// Where the protection cannot be set below a tenth of the node's voltage, nothing is sensed remotely: exchanged sense leads would run the output up.
func TestRemoteSenseWaitsForAProtection(t *testing.T) {
	s := build(t, withFault(linkedScenario, `{kind: reversed-sense, channel: feed-psu}`), converterBench, 1)
	s.config.Nominal = map[string]float64{"dut.in": 5} // a tenth is 0.5 V, the model's protection begins at 1 V
	rep := s.check(t)
	if s.most > 0.5 {
		t.Errorf("%s stood at %g V, more than a tenth of 5 V", s.worst, s.most)
	}
	if !strings.Contains(strings.Join(rep.NotTold, "\n"), "the sense leads of feed-psu") {
		t.Errorf("it does not say that sense was not looked at\n%s", rep.Text())
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
