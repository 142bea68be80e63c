package wiring_test

import (
	"encoding/xml"
	"io"
	"os"
	"strings"
	"testing"

	"fourwire/report/wiring"
)

func buoy() wiring.Drawing {
	return wiring.Drawing{Title: "Buoy converter bench", Wires: []wiring.Wire{
		{Channel: "feed-psu", Node: "dut.in", As: "source", Sense: "remote", LeadOhm: 15e-3, Earthed: true},
		{Channel: "amm-in", Node: "dut.in", As: "ammeter"},
		{Channel: "dmm-in", Node: "dut.in", As: "voltmeter"},
		{Channel: "dmm-out", Node: "dut.out", As: "voltmeter"},
		{Channel: "amm-out", Node: "dut.out", As: "ammeter"},
		{Channel: "sink", Node: "dut.out", As: "load", Sense: "local", LeadOhm: 15e-3},
	}, Amps: map[string]float64{"dut.in": 2.5}, Planned: "planned"}
}

// wellFormed reads a picture as XML and returns its texts.
func wellFormed(t *testing.T, svg string) (texts []string) {
	t.Helper()
	dec := xml.NewDecoder(strings.NewReader(svg))
	var in string
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			return texts
		}
		if err != nil {
			t.Fatalf("no XML: %v", err)
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			in = tok.Name.Local
			if in == "script" {
				t.Error("a script in the picture")
			}
		case xml.CharData:
			if in == "text" || in == "title" {
				texts = append(texts, string(tok))
			}
		}
	}
}

func TestEveryChannelAndNodeIsInThePicture(t *testing.T) {
	wide, narrow := wiring.Forms()
	for _, svg := range []string{buoy().SVG(wide), buoy().SVG(narrow), buoy().File()} {
		all := strings.Join(wellFormed(t, svg), "\n")
		for _, want := range []string{"feed-psu", "amm-in", "dmm-in", "dmm-out", "amm-out", "sink", "dut.in", "dut.out", "remote sense", "local sense",
			"leads 2 × 15 mΩ, drop 75 mV at 2.5 A (planned)", // 2 x 15 mohm x 2.5 A
			"leads 2 × 15 mΩ, drop 30 mV per ampere"} {
			if !strings.Contains(all, want) {
				t.Errorf("%q is missing in %s", want, all)
			}
		}
	}
}

func TestTextsAreEscaped(t *testing.T) {
	d := buoy()
	d.Title = `</title><script>x</script>`
	for i := range d.Wires {
		d.Wires[i].Channel = `<script>&"` + d.Wires[i].Channel
		d.Wires[i].Node = `"><script>` + d.Wires[i].Node
	}
	wide, _ := wiring.Forms()
	wellFormed(t, d.SVG(wide))
	wellFormed(t, d.File())
}

// Any wiring gives a picture that can be read.
func FuzzDrawing(f *testing.F) {
	f.Add("feed-psu", "dut.in", "source", "remote", 0.015, 2)
	f.Add("dmm\x00", "<", "voltmeter", "", -1.0, 0)
	f.Fuzz(func(t *testing.T, channel, node, as, sense string, ohm float64, again int) {
		d := wiring.Drawing{Title: channel}
		for range min(max(again, 0), 5) + 1 {
			d.Wires = append(d.Wires, wiring.Wire{Channel: channel, Node: node, As: as, Sense: sense, LeadOhm: ohm})
		}
		wellFormed(t, d.File())
	})
}

// With FOURWIRE_DRAW set to a folder, the pictures are written there to be looked at.
func TestDraw(t *testing.T) {
	dir := os.Getenv("FOURWIRE_DRAW")
	if dir == "" {
		t.Skip("nobody looks")
	}
	many := wiring.Drawing{Title: "Rails", Wires: []wiring.Wire{
		{Channel: "twin.1", Node: "rail.a", As: "source", LeadOhm: 20e-3}, {Channel: "twin.2", Node: "rail.b", As: "source", Sense: "remote", LeadOhm: 20e-3},
		{Channel: "dmm-a", Node: "rail.a", As: "voltmeter"}, {Channel: "recorder-with-a-long-name", Node: "rail.a", As: "voltmeter"}, {Channel: "dmm-b", Node: "rail.b", As: "voltmeter"},
		{Channel: "sink-with-a-long-name", Node: "rail.b", As: "load", Sense: "remote"}, {Channel: "amm-b", Node: "rail.b", As: "ammeter"}, {Channel: "dmm-t", Node: "beacon.temperature.sense", As: "voltmeter"},
	}}
	for name, d := range map[string]wiring.Drawing{"buoy": buoy(), "many": many} {
		if err := os.WriteFile(dir+"/"+name+".svg", []byte(d.File()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
