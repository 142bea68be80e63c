package model_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// small is a model with what a test puts into it.
func small(channel, say, ask string) string {
	return "fourwire: model/1\nabout: for a test\nchannels:\n" + channel + "dialect:\n  say:\n" + say + "  ask:\n    identity: \"*IDN?\"\n" + ask
}

const (
	oneSource = "  - source: {volts: 0..32 V, amps: 0..3 A}\n"
	sourceSay = "    set volts: \"V{ch} {volts NR2.3}\"\n    set amps: \"I{ch} {amps NR1 mA}\"\n    switch on: \"ON {ch}\"\n    switch off: [\"OFF {ch}\", \"ZERO {ch}\"]\n"
)

func ExampleTemplate_Append() {
	var found diag.Findings
	m := model.Read("px.model.yaml", []byte(small(oneSource, sourceSay, "")), &found)
	for _, verb := range []string{"set volts", "set amps"} {
		text, _ := m.Dialect.Say[verb][0].Append(nil, func(dst []byte, s model.Slot) ([]byte, error) {
			return fmt.Appendf(dst, "<%s %s %d %g>", s.Name, s.Form, s.Digits, s.Scale), nil
		})
		fmt.Printf("%s\n", text)
	}
	// Output:
	// V<ch  0 1> <volts NR2 3 1>
	// I<ch  0 1> <amps NR1 0 0.001>
}

func TestDialectIsRead(t *testing.T) {
	m := read(t, "px.model.yaml", small(oneSource, sourceSay, `    set volts: {send: "V{ch}?", read: {echo: skip, value: number in mV}}
    status: {send: ["A?", "B?"], read: {mode: word, quest: whole}, means: {on: mode != IDLE, CV: quest & 0x3 = 2 and mode = REG, over-voltage: quest & 512}}
`))
	off := m.Channels[0].Dialect.Say["switch off"]
	if len(off) != 2 || off[1].String() != "ZERO {ch}" {
		t.Errorf("switch off is %v", off)
	}
	q := m.Dialect.Ask["set volts"]
	if len(q.Fields) != 2 || q.Fields[0].Form != "skip" || q.Fields[1].Scale != 1e-3 {
		t.Errorf("fields %+v", q.Fields)
	}
	if !m.Dialect.CanSay("set volts") || m.Dialect.CanSay("reset") || !m.Dialect.CanAsk("status") || m.Dialect.CanAsk("error") {
		t.Error("abilities are not what the file names")
	}
	for _, c := range []struct {
		mode  string
		quest int64
		want  string
	}{
		{"REG", 2, "on CV"}, {"reg", 6, "on CV"}, {"REG", 3, "on"}, {"IDLE", 512, "over-voltage"}, {"IDLE", 2, ""}, {"TRIP", 514, "on over-voltage"},
	} {
		var got []string
		for _, meaning := range m.Dialect.Ask["status"].Means {
			if meaning.Holds(func(name string) (string, int64, bool) {
				if name == "mode" {
					return c.mode, 0, false
				}
				return "", c.quest, true
			}) {
				got = append(got, meaning.State)
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("mode %s, bits %d mean %v, want %s", c.mode, c.quest, got, c.want)
		}
	}
}

func TestBracesCanBeSent(t *testing.T) {
	say := strings.Replace(sourceSay, "ON {ch}", "ON {{{ch}}}", 1)
	m := read(t, "px.model.yaml", small(oneSource, say, ""))
	text, _ := m.Dialect.Say["switch on"][0].Append(nil, func(dst []byte, _ model.Slot) ([]byte, error) { return append(dst, '1'), nil })
	if string(text) != "ON {1}" {
		t.Errorf("got %s", text)
	}
}

func TestAChannelsOwnWordsGoFirst(t *testing.T) {
	channels := oneSource + "  - source: {volts: 0..6 V, amps: 0..5 A}\n    dialect: {say: {set volts: \"LOGIC {volts}\"}, ask: {set volts: \"LOGIC?\"}}\n"
	m := read(t, "px.model.yaml", small(channels, sourceSay, "    set volts: \"V{ch}?\"\n"))
	if a, b := m.Channels[0].Dialect.Say["set volts"][0].String(), m.Channels[1].Dialect.Say["set volts"][0].String(); a != "V{ch} {volts}" || b != "LOGIC {volts}" {
		t.Errorf("%q and %q", a, b)
	}
	if got := m.Channels[1].Dialect.Say["switch on"][0].String(); got != "ON {ch}" || m.Channels[1].Number != 2 {
		t.Errorf("%q", got)
	}
}

func TestWireBecomesOptionsOfAnAddress(t *testing.T) {
	text := small(oneSource, sourceSay, "")
	text = strings.Replace(text, "channels:", "wire: {end: crlf, gap: 5 ms, echo: yes, one_connection: yes, plain_lines: yes, longest_message: 64, answer_within: 3 s, serial: {baud: 19200, parity: even}}\nchannels:", 1)
	m := read(t, "px.model.yaml", text)
	print := func(scheme string) string {
		var parts []string
		for _, o := range m.Wire.Options(scheme) {
			parts = append(parts, o.Key+"="+o.Value)
		}
		return strings.Join(parts, "&")
	}
	if got, want := print("tcp"), "end=crlf&gap=5ms&echo=yes&single=yes&plainline=yes"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got, want := print("serial"), "end=crlf&gap=5ms&echo=yes&single=yes&plainline=yes&baud=19200&parity=even"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if m.Wire.MaxMessage != 64 || m.Wire.AnswerWithin != 3*time.Second || m.Wire.Compound {
		t.Errorf("%+v", m.Wire)
	}
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if math.Abs(got-want) > relative*math.Abs(want) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// Published check values of a meter's specification: 50 ppm of the reading and 20 ppm of a 10 V range at 3.3 V limit the error to 365 uV;
// 5 K outside the calibration band, at 5 ppm of the reading and 1 ppm of range for each kelvin, it is 497.5 uV. The divisors are those of
// JCGM 100:2008, 4.3.7 (rectangular) and 4.3.4 (expanded, k = 2).
func TestAccuracyOfAReading(t *testing.T) {
	channel := "  - measures:\n      coverage: COVERAGE\n      calibration_band: 18..28 degC\n      volts: [{full: 10 V, gain: 50 ppm, offset: 20 ppm, gain_per_kelvin: 5 ppm, offset_per_kelvin: 1 ppm, resolution: 0.1 mV, noise: 0.5 uV, noise_at: 20 ms, noise_floor: 0.2 uV}]\n"
	for coverage, divisor := range map[string]float64{"limit": math.Sqrt(3), "2u": 2} {
		m := read(t, "px.model.yaml", small(strings.Replace(channel, "COVERAGE", coverage, 1), "    reset: R\n", "    read volts: \"R?\"\n"))
		r := m.Channels[0].Volts[0]
		inside := r.Contributions(3.3, 0.02, 300)
		near(t, "limit", (inside.Gain+inside.Offset)*divisor, 365e-6, 1e-9)
		if inside.TemperatureGain != 0 || inside.TemperatureOffset != 0 {
			t.Error("temperature counts inside the band")
		}
		for _, kelvin := range []float64{301.15 + 5, 291.15 - 5} {
			c := r.Contributions(3.3, 0.02, kelvin)
			near(t, "limit outside the band", (c.Gain+c.Offset+c.TemperatureGain+c.TemperatureOffset)*divisor, 497.5e-6, 1e-6)
		}
		if c := r.Contributions(-3.3, 0.02, 0); c.Gain != -inside.Gain || c.TemperatureGain != 0 {
			t.Errorf("the sign of a gain follows the reading: %+v", c)
		}
		near(t, "resolution", inside.Quantisation, 0.1e-3/math.Sqrt(12), 1e-12) // JCGM 100:2008, F.2.2.1
		// 100 nV/rtHz: 0.5 uV at 20 ms, 158.1 nV at 200 ms, 3.536 uV at 0.4 ms (published check values); the floor is the file's
		near(t, "noise at 0.4 ms", r.Accuracy.NoiseAt(0.4e-3), 3.536e-6, 2e-4)
		near(t, "noise at 20 ms", r.Accuracy.NoiseAt(20e-3), 0.5e-6, 1e-12)
		near(t, "noise at its floor", r.Accuracy.NoiseAt(200e-3), 0.2e-6, 1e-12)
		near(t, "all together", inside.Std(), math.Sqrt(math.Pow(165e-6/divisor, 2)+math.Pow(200e-6/divisor, 2)+0.25e-12+math.Pow(0.1e-3, 2)/12), 1e-9)
	}
}

// Worked by hand: 0.5 V of headroom and 25 mohm carry 20 A, 0.68 V carry 27.2 A; a 150 W load carries 2.5 A at 60 V and 15 A at 10 V. Common
// practice of load data sheets, no source.
func TestEnvelopes(t *testing.T) {
	l := &model.LoadSpec{Volts: quantity.Span{High: 80, Set: true}, Amps: quantity.Span{High: 30, Set: true}, MinOhms: 0.025, MaxWatts: 150, AmpsRanges: []float64{3, 30}}
	for volts, amps := range map[float64]float64{0.5: 20, 0.68: 27.2, 60: 2.5, 10: 15, 90: 0} {
		if got := l.AmpsAt(volts); math.Abs(got-amps) > 1e-12 {
			t.Errorf("at %v V the load carries %v A, want %v", volts, got, amps)
		}
	}
	near(t, "lowest voltage at 10 A", l.MinVoltsAt(10), 0.25, 1e-12)
	if l.MinVolts = 0.4; l.MinVoltsAt(10) != 0.4 || l.AmpsAt(0.39) != 0 {
		t.Error("the floor of the lowest voltage does not hold")
	}
	for amps, full := range map[float64]float64{0.1: 3, 3: 3, 3.1: 30, 99: 30} {
		if got := l.LevelRange(amps); got != full {
			t.Errorf("%v A goes on the range %v", amps, got)
		}
	}
	s := &model.SourceSpec{Volts: quantity.Span{Low: -20, High: 20, Set: true}, Amps: quantity.Span{High: 3, Set: true}, MaxWatts: 40}
	for volts, amps := range map[float64]float64{5: 3, 20: 2, -20: 2, 0: 3, 21: 0} {
		if got := s.AmpsAt(volts); got != amps {
			t.Errorf("at %v V the source delivers %v A, want %v", volts, got, amps)
		}
	}
}

func TestPickTakesTheSmallestRangeThatHolds(t *testing.T) {
	ranges := []model.Range{{Full: 1}, {Full: 10, Over: 0.2}, {Full: 100}}
	for x, full := range map[float64]float64{0: 1, -0.9: 1, 1: 1, 1.01: 10, 10.5: 100, 1e6: 100, math.NaN(): 100} {
		if got := model.Pick(ranges, x); got.Full != full {
			t.Errorf("%v goes on the range %v", x, got.Full)
		}
	}
	if !ranges[1].Holds(-12) || ranges[1].Holds(12.1) {
		t.Error("the part beyond full scale is not what is stated")
	}
}

func TestLibraryFigures(t *testing.T) {
	data, _ := model.FromLibrary("dc-source-dual")
	m := read(t, "dc-source-dual.yaml", string(data))
	if len(m.Channels) != 2 || m.Channels[1].Number != 2 || m.Channels[1].Source.Amps.High != 3 || !m.Channels[0].Together || !m.Wire.Compound {
		t.Errorf("%+v", m.Channels)
	}
	data, _ = model.FromLibrary("electronic-load")
	l := read(t, "electronic-load.yaml", string(data)).Channels[0].Load
	if !l.ConstVolts || !l.Ohms.Set || !l.Watts.Set || l.Slew != 5e5 || l.LevelRange(2) != 3 {
		t.Errorf("%+v", l)
	}
}

func TestTemplateOfTheFolderPasses(t *testing.T) {
	data, err := os.ReadFile("template.model.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if m := read(t, "template.model.yaml", string(data)); m.Name != "template" {
		t.Errorf("it is called %s", m.Name)
	}
}

func TestFormatPageNamesEveryWord(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[*diag.Shape]bool{}
	var walk func(diag.Type)
	walk = func(kind diag.Type) {
		if kind.Elem != nil {
			walk(*kind.Elem)
		}
		for _, a := range kind.Any {
			walk(a)
		}
		if kind.Shape == nil || seen[kind.Shape] {
			return
		}
		seen[kind.Shape] = true
		for _, f := range kind.Shape.Fields {
			if !strings.Contains(string(page), "`"+f.Name+"`") {
				t.Errorf("%s has %q, and the page does not name it", kind.Shape.Title, f.Name)
			}
			walk(f.Type)
		}
	}
	walk(model.Shape())
}

// A file gives a model or a fault, and a model has channels that can be spoken to.
func FuzzRead(f *testing.F) {
	for _, name := range model.Library() {
		data, _ := model.FromLibrary(name)
		f.Add(string(data))
	}
	files, _ := os.ReadDir("testdata/bad")
	for _, file := range files {
		data, _ := os.ReadFile("testdata/bad/" + file.Name())
		f.Add(string(data))
	}
	f.Fuzz(func(t *testing.T, text string) {
		var found diag.Findings
		m := model.Read("f.yaml", []byte(text), &found)
		if (m == nil) != found.Failed() {
			t.Fatalf("model %v, findings %v", m, found.List())
		}
		if m == nil {
			return
		}
		for _, ch := range m.Channels {
			if ch.Source != nil && !ch.Dialect.CanSay("switch off") || len(ch.Volts) > 0 && !ch.Dialect.CanAsk("read volts") {
				t.Errorf("channel %d cannot be spoken to", ch.Number)
			}
			for _, r := range ch.Volts {
				if std := r.Contributions(r.Full, ch.Aperture.Default.Seconds(), 300).Std(); math.IsNaN(std) || std < 0 {
					t.Errorf("uncertainty %v", std)
				}
			}
		}
	})
}

func BenchmarkRead(b *testing.B) {
	data, _ := model.FromLibrary("electronic-load")
	for b.Loop() {
		var found diag.Findings
		model.Read("electronic-load.yaml", data, &found)
	}
}
