package bench_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
)

const converterBench = `fourwire: bench/1
title: Converter bench
ambient: 23 degC
simulate: buoy.scenario.yaml
instruments:
  feed-psu: {model: dc-source-dual, address: "sim:feed-psu", identity: {serial: "S1001"}, calibrated: 2026-03-01}
  sink-1:   {model: electronic-load, address: "tcp://127.0.0.1:5026"}
  dmm-in:   {model: meter, address: "serial:///dev/ttyUSB0?baud=115200"}
wiring:
  - {channel: feed-psu.2, node: dut.in,  as: source, sense: remote, lead: 15 mohm}
  - {channel: sink-1,     node: dut.out, as: load,   sense: local, lead: 15 mohm}
  - {channel: dmm-in.1,   node: dut.in,  as: voltmeter}
`

func ExampleRead() {
	var found diag.Findings
	b := bench.Read("bench.yaml", []byte(converterBench), &found)
	for _, w := range b.At("dut.in") {
		fmt.Printf("%s channel %d is %s, sense %s, lead %g ohm\n", w.Instrument, w.Channel, w.As, w.Sense, w.LeadOhm)
	}
	bench.Read("wrong.yaml", []byte(strings.Replace(converterBench, "sink-1, ", "sink-2, ", 1)), &found)
	fmt.Println(found.List()[0])
	// Output:
	// feed-psu channel 2 is source, sense remote, lead 0.015 ohm
	// dmm-in channel 1 is voltmeter, sense local, lead 0 ohm
	// wrong.yaml:11:15: there is no instrument "sink-2" on this bench; did you mean sink-1?
}

func read(t *testing.T, text string) *bench.Bench {
	t.Helper()
	var found diag.Findings
	b := bench.Read("bench.yaml", []byte(text), &found)
	if b == nil {
		t.Fatal(found.List())
	}
	return b
}

func TestEverythingIsRead(t *testing.T) {
	b := read(t, converterBench)
	if b.Title != "Converter bench" || b.Simulate != "buoy.scenario.yaml" || b.AmbientKelvin != 296.15 || len(b.Wiring) != 3 || string(b.Source) != converterBench {
		t.Errorf("%+v", b)
	}
	psu := b.Find("feed-psu")
	if psu.Model != "dc-source-dual" || psu.Address != "sim:feed-psu" || psu.Identity.Serial != "S1001" || psu.Calibrated != "2026-03-01" || psu.AddressPlace.Line != 6 {
		t.Errorf("%+v", psu)
	}
	if b.Find("nobody") != nil || b.At("nowhere") != nil {
		t.Error("something was found that is not there")
	}
}

func TestAnInstrumentWithoutAWireIsDoubtful(t *testing.T) {
	var found diag.Findings
	text := strings.Replace(converterBench, "  - {channel: dmm-in.1,   node: dut.in,  as: voltmeter}\n", "", 1)
	if b := bench.Read("bench.yaml", []byte(text), &found); b == nil {
		t.Fatal(found.List())
	}
	if list := found.List(); len(list) != 1 || !list[0].Warning || !strings.Contains(list[0].Text, "dmm-in is not wired") {
		t.Errorf("found %v", list)
	}
}

func TestModelsMustBeAbleToDoWhatTheWiringAsks(t *testing.T) {
	models := map[string]*model.Model{}
	for instrument, name := range map[string]string{"feed-psu": "dc-source-dual", "sink-1": "electronic-load", "dmm-in": "meter"} {
		data, _ := model.FromLibrary(name)
		var found diag.Findings
		if models[instrument] = model.Read(name+".yaml", data, &found); models[instrument] == nil {
			t.Fatal(found.List())
		}
	}
	meterOnly := *models["dmm-in"]
	meterOnly.Channels = append([]model.Channel(nil), meterOnly.Channels...)
	meterOnly.Channels[0].Amps = nil
	noSense := *models["feed-psu"]
	noSense.Channels = append([]model.Channel(nil), noSense.Channels...)
	local := *noSense.Channels[1].Source
	local.SenseVolts = 0
	noSense.Channels[1].Source = &local
	for _, c := range []struct{ name, from, to, want string }{
		{"no remote sense", "", "", "feed-psu channel 2 (model dc-source-dual) has no remote sense"},
		{"all is well", "", "", ""},
		{"a channel too many", "feed-psu.2", "feed-psu.3", "10:6: feed-psu has no channel 3: dc-source-dual has 2 channels"},
		{"a load that is no source", "node: dut.out, as: load", "node: dut.out, as: source", "11:6: sink-1 channel 1 (model electronic-load) is no source; it can be load, voltmeter, ammeter"},
		{"a meter that is no load", "as: voltmeter", "as: load", "12:6: dmm-in channel 1 (model meter) is no load; it can be voltmeter"},
		{"no amps", "as: voltmeter", "as: ammeter", "does not measure amps"},
		{"volts and amps at one time", "  - {channel: dmm-in.1,", "  - {channel: dmm-in.1, node: dut.in, as: ammeter}\n  - {channel: dmm-in.1,", "measures either volts or amps at one time"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var found diag.Findings
			b := read(t, strings.Replace(converterBench, c.from, c.to, 1))
			use := map[string]*model.Model{"feed-psu": models["feed-psu"], "sink-1": models["sink-1"], "dmm-in": &meterOnly}
			if c.name == "no remote sense" {
				use["feed-psu"] = &noSense
			}
			if c.name == "volts and amps at one time" {
				use["dmm-in"] = models["dmm-in"]
			}
			bench.CheckModels(b, use, &found)
			var text strings.Builder
			for _, f := range found.List() {
				text.WriteString(strings.TrimPrefix(f.Error(), "bench.yaml:"))
			}
			if (c.want == "") != (text.Len() == 0) || !strings.Contains(text.String(), c.want) {
				t.Errorf("found %q, want %q", text.String(), c.want)
			}
		})
	}
	var found diag.Findings
	if bench.CheckModels(read(t, converterBench), nil, &found); found.Failed() {
		t.Error("models that are not known were judged")
	}
}

func TestFormatPageNamesEveryWord(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	var walk func(diag.Type)
	walk = func(kind diag.Type) {
		if kind.Elem != nil {
			walk(*kind.Elem)
		}
		if kind.Shape == nil {
			return
		}
		for _, f := range kind.Shape.Fields {
			if !strings.Contains(string(page), "`"+f.Name+"`") {
				t.Errorf("%s has %q, and the page does not name it", kind.Shape.Title, f.Name)
			}
			walk(f.Type)
		}
	}
	walk(bench.Shape())
}

// A file gives a bench or a fault, and the bench names only instruments that it has.
func FuzzRead(f *testing.F) {
	f.Add(converterBench)
	files, _ := os.ReadDir("testdata/bad")
	for _, file := range files {
		data, _ := os.ReadFile("testdata/bad/" + file.Name())
		f.Add(string(data))
	}
	f.Fuzz(func(t *testing.T, text string) {
		var found diag.Findings
		b := bench.Read("f.yaml", []byte(text), &found)
		if (b == nil) != found.Failed() {
			t.Fatalf("bench %v, findings %v", b, found.List())
		}
		if b == nil {
			return
		}
		for _, w := range b.Wiring {
			if b.Find(w.Instrument) == nil || w.Channel < 1 || w.LeadOhm < 0 {
				t.Errorf("%+v", w)
			}
		}
	})
}
