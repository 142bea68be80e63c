package model_test

import (
	"strings"
	"testing"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
)

func read(t *testing.T, name, text string) *model.Model {
	t.Helper()
	var found diag.Findings
	m := model.Read(name, []byte(text), &found)
	for _, f := range found.List() {
		t.Error(f.Render())
	}
	if m == nil {
		t.FailNow()
	}
	return m
}

func TestLibraryReads(t *testing.T) {
	names := model.Library()
	if want := "dc-source dc-source-dual electronic-load meter source-measure-unit switch-unit"; strings.Join(names, " ") != want {
		t.Errorf("the library holds %q, want %q", names, want)
	}
	for _, name := range names {
		data, ok := model.FromLibrary(name)
		if !ok {
			t.Fatalf("%s is listed, but not there", name)
		}
		if m := read(t, name+".model.yaml", string(data)); m.Name != name {
			t.Errorf("%s is called %s", name, m.Name)
		}
	}
	for _, name := range []string{"", "no-such", "../library/meter", "library"} {
		if _, ok := model.FromLibrary(name); ok {
			t.Errorf("the library has a model %q", name)
		}
	}
}

// What the library's source-measure-unit says of recording is what its file has, and what its words add.
func TestRecordingOfTheLibrary(t *testing.T) {
	data, _ := model.FromLibrary("source-measure-unit")
	text := string(data)
	c := read(t, "unit.yaml", text).Channels[0]
	want := model.Records{Least: 10 * time.Microsecond, Most: time.Second, Grid: time.Microsecond, Depth: 4_000_000, Volts: true, Amps: true, Together: true, Seamless: true, Totals: true, Held: true}
	if c.Records == nil || *c.Records != want {
		t.Errorf("it records %+v, want %+v", c.Records, want)
	}
	if s := c.Source; s.Ohms != (quantity.Span{High: 100, Dim: quantity.Resistance, Set: true}) || s.SetOhms.Resolution != 1e-3 || s.SetOhms.Gain != 1e-3 {
		t.Errorf("its output resistance is %+v, %+v", s.Ohms, s.SetOhms)
	}
	text = strings.Replace(text, "{most},{least}", "{most}", 1)
	at, end := strings.Index(text, "    record totals:"), strings.Index(text, "handovers: whole}")
	c = read(t, "unit.yaml", text[:at]+text[end+len("handovers: whole}"):]).Channels[0]
	if want.Totals, want.Held = false, false; *c.Records != want {
		t.Errorf("without the words it records %+v, want %+v", c.Records, want)
	}
	if c := read(t, "meter.yaml", libraryText("meter")).Channels[0]; c.Records != nil {
		t.Errorf("a meter records %+v", c.Records)
	}
}

func libraryText(name string) string {
	data, _ := model.FromLibrary(name)
	return string(data)
}

// What the library's models can capture, list and trigger is what their files have.
func TestCapturesAndListsOfTheLibrary(t *testing.T) {
	for _, c := range []struct {
		name     string
		points   int
		readings int
		lists    *model.Lists
		waits    string
	}{
		{"source-measure-unit", 65536, 10000, &model.Lists{Steps: 512, Least: 50 * time.Microsecond, Most: time.Hour, Volts: true}, "at once,software,volts,amps,output,line"},
		{"electronic-load", 32768, 10000, &model.Lists{Steps: 256, Least: 50 * time.Microsecond, Most: time.Hour, Amps: true}, "at once,software,volts,amps,output,line"},
		{"dc-source", 4096, 1000, &model.Lists{Steps: 100, Least: time.Millisecond, Most: time.Hour, Volts: true, Amps: true}, "at once,software,output,line"},
		{"meter", 50000, 50000, nil, "at once,software,volts,amps,line"},
	} {
		m := read(t, c.name+".yaml", libraryText(c.name))
		ch := m.Channels[0]
		if d := ch.Digitises; d == nil || d.Points != c.points || d.Readings != c.readings || !d.Before || d.BandwidthHertz < 1e3 || strings.Join(d.Triggers, ",") != c.waits || m.Lines() != 4 {
			t.Errorf("%s digitises %+v, %d lines", c.name, ch.Digitises, m.Lines())
		}
		for _, on := range model.TriggerWords() {
			if ch.Digitises.CanTrigger(on) != strings.Contains(","+c.waits+",", ","+on+",") {
				t.Errorf("%s on %q", c.name, on)
			}
		}
		if (ch.Lists == nil) != (c.lists == nil) || c.lists != nil && *ch.Lists != *c.lists {
			t.Errorf("%s has lists %+v", c.name, ch.Lists)
		}
	}
	if m := read(t, "dual.yaml", libraryText("dc-source-dual")); m.Lines() != 0 || m.Channels[1].Lists != nil {
		t.Error("the dual source has no lists and no lines")
	}
}
