package driver_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

func ExampleOpen() {
	data, _ := model.FromLibrary("dc-source")
	var found diag.Findings
	link := transporttest.NewScript(
		transporttest.Sent("*IDN?"), transporttest.Answer("Maker,Model,S1001,1.0"),
		transporttest.Sent(":SOUR1:VOLT 12.5"),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`-221,"Settings conflict"`),
		transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`0,"No error"`),
	)
	ctx := context.Background()
	in, _ := driver.Open(ctx, driver.Config{Name: "feed-psu", Address: "tcp://10.0.0.7:5025", Model: model.Read("dc-source.yaml", data, &found), Link: link})
	feed, _ := in.Source(1)
	fmt.Println(feed.SetVolts(ctx, 12.5))
	fmt.Println(feed.SetVolts(ctx, 60))
	fmt.Println(feed.Output(ctx, true))
	// Output:
	// feed-psu at tcp://10.0.0.7:5025 refused ":SOUR1:VOLT 12.5": -221 "Settings conflict"
	// a voltage of 60 V asked of feed-psu channel 1, which takes 0 V..32 V
	// feed-psu channel 1: limits come before the output: set voltage and current limit before switching on
}

// modelOf reads a model that a test wrote.
func modelOf(t testing.TB, text string) *model.Model {
	t.Helper()
	var found diag.Findings
	m := model.Read("test.model.yaml", []byte(text), &found)
	if m == nil {
		t.Fatal(found.List())
	}
	return m
}

func opened(t *testing.T, m *model.Model, c driver.Config, steps ...transporttest.Step) (*driver.Instrument, *transporttest.Script) {
	t.Helper()
	link := transporttest.NewScript(append([]transporttest.Step{transporttest.Sent("*IDN?"), transporttest.Answer("Maker,Model,S1,1.0")}, steps...)...)
	c.Model, c.Link = m, link
	if c.Name == "" {
		c.Name = "psu"
	}
	in, err := driver.Open(context.Background(), c)
	must(t, err)
	return in, link
}

func TestOpenRefusesStrangers(t *testing.T) {
	m := libraryModel(t, "meter")
	picky := modelOf(t, strings.Replace(plainSource, "channels:", "identity: {maker: \"Lake.*\"}\nchannels:", 1))
	for _, c := range []struct {
		name  string
		model *model.Model
		want  driver.Identity
		says  string
	}{
		{"another serial number", m, driver.Identity{Serial: "S2"}, `its serial number is "S1", where the bench has "S2"`},
		{"another maker", m, driver.Identity{Maker: "Maker", Model: "Other"}, `its model is "Model", where the bench has "Other"`},
		{"a maker that the model does not know", picky, driver.Identity{}, `its maker is "Maker", which the model test does not know`},
	} {
		link := transporttest.NewScript(transporttest.Sent("*IDN?"), transporttest.Answer("Maker,Model,S1,1.0"))
		_, err := driver.Open(context.Background(), driver.Config{Name: "dmm", Model: c.model, Link: link, Expect: c.want})
		if !errors.Is(err, driver.ErrIdentity) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	for _, c := range []driver.Config{{}, {Model: m}, {Link: transporttest.NewScript()}} {
		if _, err := driver.Open(context.Background(), c); err == nil {
			t.Errorf("%+v was opened", c)
		}
	}
}

const plainSource = `fourwire: model/1
about: a source that neither refuses nor joins messages
wire: {longest_message: 24}
channels:
  - source: {volts: 0..32 V, amps: 0..3 A, set_volts: {resolution: 10 mV}}
    measures: {volts: [{full: 32 V, gain: 0.1 %, offset: 10 mV}]}
dialect:
  say: {set volts: "VOLT {volts NR2.3}", set amps: "CURR {amps NR2.3}", switch on: "OUTP ON", switch off: "OUTP OFF"}
  ask: {identity: "*IDN?", set volts: "VOLT?", set amps: "CURR?", switch: "OUTP?", read volts: "MEAS?"}
`

// An instrument without an error queue clips or ignores: what it has set is read back.
func TestWithoutAnErrorQueueSettingsAreReadBack(t *testing.T) {
	in, link := opened(t, modelOf(t, plainSource), driver.Config{},
		transporttest.Sent("VOLT 12.005"), transporttest.Sent("VOLT?"), transporttest.Answer("12.01"),
		transporttest.Sent("VOLT 30.000"), transporttest.Sent("VOLT?"), transporttest.Answer("25.00"),
		transporttest.Sent("CURR 2.000"), transporttest.Sent("CURR?"), transporttest.Answer("2.000 A"),
		transporttest.Sent("VOLT 5.000"), transporttest.Sent("VOLT?"), transporttest.Answer("5,00"),
		transporttest.Sent("OUTP ON"), transporttest.Sent("*IDN?"), transporttest.Answer("Maker,Model,S1,1.0"), // what cannot be read may have been another's answer
		transporttest.Sent("OUTP?"), transporttest.Answer("OFF"),
		transporttest.Sent("OUTP?"), transporttest.Answer("0"))
	ctx := context.Background()
	s, _ := in.Source(1)
	must(t, s.SetVolts(ctx, 12.005)) // rounded to its resolution
	if err := s.SetVolts(ctx, 30); !errors.Is(err, driver.ErrNotTaken) || !strings.Contains(err.Error(), "25 V is set") {
		t.Errorf("a clipped setting gives %v", err)
	}
	must(t, s.SetAmps(ctx, 2))
	if err := s.SetVolts(ctx, 5); err == nil || !strings.Contains(err.Error(), "decimal comma") {
		t.Errorf("a decimal comma gives %v", err)
	}
	if err := s.Output(ctx, true); !errors.Is(err, driver.ErrNotTaken) {
		t.Errorf("an output that stays off gives %v", err)
	}
	must(t, link.Close())
}

// Off goes out at once: not behind an answer that is still awaited, and not behind a link that is out of step.
func TestOffWaitsForNothing(t *testing.T) {
	lost := transport.Explain("no answer came before the time ran out", transport.ErrTimeout, context.DeadlineExceeded)
	in, link := opened(t, modelOf(t, plainSource), driver.Config{},
		transporttest.Sent("MEAS?"),
		transporttest.Sent("OUTP OFF"),
		transporttest.Sent("*IDN?"), transporttest.Answer("12.003"), // the answer that nobody waits for
		transporttest.Answer("Maker,Model,S1,1.0"),
		transporttest.Sent("OUTP?"), transporttest.Answer("0"),
		transporttest.Sent("OUTP?"), transporttest.Failure(lost),
		transporttest.Sent("OUTP OFF"),
		transporttest.Sent("*IDN?"), transporttest.Answer("1"), transporttest.Answer("Maker,Model,S1,1.0"),
		transporttest.Sent("OUTP?"), transporttest.Answer("1"))
	ctx := context.Background()
	s, _ := in.Source(1)
	m, _ := in.Meter(1)
	must(t, m.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 12}))
	must(t, s.Output(ctx, false))
	if _, err := m.End(ctx); !errors.Is(err, driver.ErrNoReading) {
		t.Errorf("a reading that was given up gives %v", err)
	}
	if _, err := s.Status(ctx); !errors.Is(err, ieee488.ErrNoAnswer) {
		t.Errorf("got %v", err)
	}
	if err := s.Output(ctx, false); !errors.Is(err, driver.ErrNotTaken) {
		t.Errorf("an output that stays on gives %v", err)
	}
	must(t, link.Close())
}

func TestLongMessagesAreNotSentWhereTheInstrumentCannotTakeThem(t *testing.T) {
	m := modelOf(t, strings.Replace(plainSource, "VOLT {volts NR2.3}", "SOURCE:VOLTAGE:LEVEL {volts NR2.3}", 1))
	in, link := opened(t, m, driver.Config{})
	s, _ := in.Source(1)
	if err := s.SetVolts(context.Background(), 12); err == nil || !strings.Contains(err.Error(), "27 bytes, and the instrument takes 24") {
		t.Errorf("got %v", err)
	}
	must(t, link.Close())
}

const plainMeter = `fourwire: model/1
about: a meter for the tests of readings
wire: {compound: yes}
channels:
  - measures:
      aperture: {choices: [1 ms, 20 ms, 100 ms]}
      calibration_band: 18..28 degC
      volts:
        - {full: 1 V, over: 20 %, gain: 0.01 %, offset: 1 mV, noise: 0.1 mV, noise_at: 20 ms, resolution: 1 mV, gain_per_kelvin: 0.001 %, offset_per_kelvin: 0.1 mV}
        - {full: 10 V, over: 20 %, gain: 0.01 %, offset: 10 mV, noise: 1 mV, noise_at: 20 ms, resolution: 10 mV}
      amps: [{full: 1 A, gain: 0.1 %, offset: 1 mA}]
dialect:
  say:
    function volts: ":FUNC V"
    function amps: ":FUNC A"
    range volts: ":RANG {range NR2.1}"
    aperture volts: ":CYCL {cycles NR2.2}"
    start: ":GO"
  ask: {identity: "*IDN?", read volts: ":VAL?", read amps: ":VAL?"}
`

func reading(t *testing.T, m *driver.Meter, r driver.Request) driver.Reading {
	t.Helper()
	must(t, m.Begin(context.Background(), r))
	got, err := m.End(context.Background())
	must(t, err)
	return got
}

func TestReadingCarriesItsErrorInputs(t *testing.T) {
	var l measured.Ledger
	in, link := opened(t, modelOf(t, plainMeter), driver.Config{Name: "dmm-in", Ledger: &l, AmbientKelvin: 273.15 + 33, Clock: clock.NewVirtual(time.Unix(0, 0)), MainsHertz: 60},
		transporttest.Sent(":FUNC V;:RANG 1.0;:CYCL 1.20"), transporttest.Sent(":GO"), transporttest.Sent(":VAL?"), transporttest.Answer("+8.000E-01"),
		transporttest.Sent(":GO"), transporttest.Sent(":VAL?"), transporttest.Answer("-0.4"),
		transporttest.Sent(":RANG 10.0;:CYCL 6.00"), transporttest.Sent(":GO"), transporttest.Sent(":VAL?"), transporttest.Answer("8.0"))
	m, _ := in.Meter(1)
	a := reading(t, m, driver.Request{Function: driver.Volts, Expect: 0.9, Aperture: 15 * time.Millisecond})
	b := reading(t, m, driver.Request{Function: driver.Volts, Expect: -0.4, Aperture: 20 * time.Millisecond})
	c := reading(t, m, driver.Request{Function: driver.Volts, Expect: math.NaN(), Aperture: 50 * time.Millisecond})
	must(t, link.Close())

	part := func(v measured.Value, name string) float64 {
		for _, term := range v.Terms {
			if l.Input(term.Input).Name == name {
				return term.Part
			}
		}
		return math.NaN()
	}
	// limits are rectangular, u = a/sqrt(3) (JCGM 100:2008, 4.3.7); a resolution q gives q/sqrt(12) (the same, F.2.2.1); 33 degC is 5 K outside
	for name, want := range map[string]float64{
		"dmm-in ch1 volts 1 V gain":               0.8e-4 / math.Sqrt(3),
		"dmm-in ch1 volts 1 V offset":             1e-3 / math.Sqrt(3),
		"dmm-in ch1 volts 1 V temperature gain":   5 * 0.8e-5 / math.Sqrt(3),
		"dmm-in ch1 volts 1 V temperature offset": 5 * 0.1e-3 / math.Sqrt(3),
		"dmm-in ch1 volts 1 V noise":              0.1e-3,
		"dmm-in ch1 volts 1 V resolution":         1e-3 / math.Sqrt(12),
	} {
		if got := part(a.Value, name); math.Abs(got-want) > 1e-12 {
			t.Errorf("%s is %v, want %v", name, got, want)
		}
	}
	if got := part(c.Value, "dmm-in ch1 volts 10 V noise"); math.Abs(got-1e-3*math.Sqrt(0.2)) > 1e-9 {
		t.Errorf("the noise at 100 ms is %v", got)
	}
	if a.RangeFull != 1 || c.RangeFull != 10 || b.Value.X != -0.4 || b.Value.Dim != quantity.Voltage {
		t.Errorf("%+v, %+v", a, c)
	}
	// on one range gain and offset are shared, noise and resolution are not; on two ranges nothing is
	shared := part(a.Value, "dmm-in ch1 volts 1 V gain")*part(b.Value, "dmm-in ch1 volts 1 V gain") + 1e-6/3 +
		part(a.Value, "dmm-in ch1 volts 1 V temperature gain")*part(b.Value, "dmm-in ch1 volts 1 V temperature gain") + math.Pow(5*0.1e-3, 2)/3
	if got := measured.Covariance(a.Value, b.Value); math.Abs(got-shared) > 1e-15 {
		t.Errorf("covariance on one range %v, want %v", got, shared)
	}
	if got := measured.Covariance(a.Value, c.Value); got != 0 {
		t.Errorf("covariance on two ranges %v", got)
	}
}

func TestOverloadIsNeverANumber(t *testing.T) {
	configure := transporttest.Sent(":FUNC V;:RANG 1.0;:CYCL 1.00")
	for _, c := range []struct {
		answer   string
		overload bool
		err      error
	}{
		{"9.9E37", true, nil}, {"-9.9E37", true, nil}, {"OVLD", true, nil}, {"1.3", true, nil}, {"1.15", false, nil},
		{"9.91E37", false, driver.ErrNoReading}, {"----", false, driver.ErrNoReading},
	} {
		in, _ := opened(t, modelOf(t, plainMeter), driver.Config{Ledger: &measured.Ledger{}}, configure, transporttest.Sent(":GO"), transporttest.Sent(":VAL?"), transporttest.Answer(c.answer))
		m, _ := in.Meter(1)
		must(t, m.Begin(context.Background(), driver.Request{Function: driver.Volts, Expect: 1}))
		r, err := m.End(context.Background())
		if !errors.Is(err, c.err) || r.Overload != c.overload || c.overload != math.IsNaN(r.Value.X) && err == nil {
			t.Errorf("%s: %+v, %v", c.answer, r, err)
		}
	}
}

func TestMeterThatDoesOneThingAtATime(t *testing.T) {
	in, link := opened(t, modelOf(t, plainMeter), driver.Config{},
		transporttest.Sent(":FUNC A"),
		transporttest.Sent(":FUNC V;:RANG 10.0;:CYCL 1.00"), transporttest.Sent(":GO"),
		transporttest.Sent(":VAL?"), transporttest.Answer("5"))
	ctx := context.Background()
	volts, _ := in.Meter(1)
	amps, _ := in.Meter(1)
	must(t, amps.Arm(ctx, driver.Request{Function: driver.Amps, Expect: 1}))
	must(t, amps.Arm(ctx, driver.Request{Function: driver.Amps, Expect: 0.5})) // is so already
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
	if err := amps.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 1}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("amps while volts are read: %v", err)
	}
	if err := amps.Arm(ctx, driver.Request{Function: driver.Amps, Expect: 1}); !errors.Is(err, driver.ErrBusy) {
		t.Errorf("arming while volts are read: %v", err)
	}
	if _, err := amps.End(ctx); !errors.Is(err, driver.ErrNoReading) {
		t.Errorf("the end of nothing: %v", err)
	}
	if r, err := volts.End(ctx); err != nil || r.Value.X != 5 {
		t.Errorf("%+v, %v", r, err)
	}
	if err := volts.Begin(ctx, driver.Request{Function: driver.Volts, Aperture: time.Second}); err == nil || !strings.Contains(err.Error(), "average over several readings") {
		t.Errorf("an aperture that is too long: %v", err)
	}
	must(t, link.Close())
}

func TestChannelsThatAreNotThere(t *testing.T) {
	in, _ := opened(t, libraryModel(t, "meter"), driver.Config{Name: "dmm"})
	if _, err := in.Source(1); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("a meter as source: %v", err)
	}
	if _, err := in.Load(1); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("a meter as load: %v", err)
	}
	if _, err := in.Meter(2); err == nil || err.Error() != "dmm has no channel 2, only 1 to 1" {
		t.Errorf("channel 2: %v", err)
	}
}

func TestBothLimitsComeBeforeTheOutput(t *testing.T) {
	in, link := opened(t, modelOf(t, plainSource), driver.Config{}, transporttest.Sent("VOLT 5.000"), transporttest.Sent("VOLT?"), transporttest.Answer("5"))
	s, _ := in.Source(1)
	must(t, s.SetVolts(context.Background(), 5))
	if err := s.Output(context.Background(), true); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("on without a current limit: %v", err)
	}
	must(t, link.Close())
}

const plainLoad = `fourwire: model/1
about: a load that takes short compound messages
wire: {compound: yes, longest_message: 30}
channels:
  - load: {volts: 0..80 V, amps: 0..30 A, ohms: 1..100 ohm, amps_ranges: [3 A, 30 A]}
    measures: {together: yes, volts: [{full: 80 V, gain: 0.1 %, offset: 10 mV}], amps: [{full: 30 A, gain: 0.1 %, offset: 10 mA}]}
dialect:
  say: {mode amps: ":MODE A", mode ohms: ":MODE R", hold amps: ":LEVEL:AMPS {amps}", hold ohms: ":LEVEL:OHMS {ohms}", level range: ":RANGE {range}",
    switch on: ":IN 1", switch off: ":IN 0", start: ":GO", abort: ":HALT"}
  ask: {identity: "*IDN?", error: ":ERR?", switch: ":IN?", read volts: {send: ":V?", match: "(?P<value>.*)", read: number}, read amps: {send: ":A?", match: "(?P<value>.*)", read: number}}
`

func TestMessagesAreJoinedAsFarAsTheyFit(t *testing.T) {
	none := []transporttest.Step{transporttest.Sent(":ERR?"), transporttest.Answer("0")}
	var steps []transporttest.Step
	steps = append(steps, transporttest.Sent(":RANGE 3;:LEVEL:AMPS 1.5"), transporttest.Sent(":MODE A"))
	steps = append(steps, none...)
	// refused: what the load holds and on which range is not known, so all of it is sent the next time
	steps = append(steps, transporttest.Sent(":RANGE 30;:LEVEL:AMPS 12"), transporttest.Sent(":ERR?"), transporttest.Answer("-222"), transporttest.Sent(":ERR?"), transporttest.Answer("0"))
	steps = append(steps, transporttest.Sent(":RANGE 30;:LEVEL:AMPS 12"), transporttest.Sent(":MODE A"))
	steps = append(steps, none...)
	in, link := opened(t, modelOf(t, plainLoad), driver.Config{}, steps...)
	ctx := context.Background()
	l, err := in.Load(1)
	must(t, err)
	must(t, l.Hold(ctx, quantity.MustParse("1.5 A")))
	if err := l.Hold(ctx, quantity.MustParse("12 A")); !errors.Is(err, ieee488.Entry{Number: -222}) {
		t.Errorf("got %v", err)
	}
	must(t, l.Hold(ctx, quantity.MustParse("12 A")))
	must(t, link.Close())
}

// A value that has been fetched belongs to its acquisition; a reading that is begun afterwards is a new one.
func TestAnEarlierAcquisitionIsNotJoined(t *testing.T) {
	in, link := opened(t, modelOf(t, plainLoad), driver.Config{},
		transporttest.Sent(":GO"), transporttest.Sent(":V?"), transporttest.Answer("5"),
		transporttest.Sent(":GO"), transporttest.Sent(":V?"), transporttest.Answer("6"),
		transporttest.Sent(":A?"), transporttest.Answer("1"))
	ctx := context.Background()
	volts, _ := in.Meter(1)
	amps, _ := in.Meter(1)
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
	must(t, amps.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 1}))
	if r, err := volts.End(ctx); err != nil || r.Value.X != 5 {
		t.Errorf("%+v, %v", r, err)
	}
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
	if r, err := volts.End(ctx); err != nil || r.Value.X != 6 {
		t.Errorf("%+v, %v", r, err)
	}
	if r, err := amps.End(ctx); err != nil || r.Value.X != 1 {
		t.Errorf("%+v, %v", r, err)
	}
	must(t, link.Close())
}
