package bench_test

import (
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
)

const joinedBench = `fourwire: bench/1
instruments:
  feed-psu: {model: dc-source, address: "tcp://10.0.0.7:5025"}
  sink-1: {model: electronic-load, address: "tcp://10.0.0.8:5025"}
  dmm-in: {model: meter, address: "tcp://10.0.0.9:5025"}
wiring:
  - {channel: feed-psu, node: dut.in, as: source}
  - {channel: sink-1, node: dut.out, as: load}
  - {channel: dmm-in, node: dut.in, as: voltmeter}
triggers:
  - {from: sink-1, to: [feed-psu, dmm-in], line: 3}
  - {from: feed-psu, to: sink-1, line: 1}
`

func TestTriggerLines(t *testing.T) {
	b := read(t, joinedBench)
	if len(b.Triggers) != 2 || strings.Join(b.Triggers[0].To, " ") != "feed-psu dmm-in" || b.Triggers[1].Line != 1 || b.Triggers[1].To[0] != "sink-1" {
		t.Errorf("got %+v", b.Triggers)
	}
	for _, c := range []struct {
		from, to string
		line     int
		ok       bool
	}{
		{"sink-1", "dmm-in", 3, true}, {"sink-1", "dmm-in feed-psu", 3, true}, {"sink-1", "dmm-in sink-1", 3, true}, {"feed-psu", "sink-1", 1, true},
		{"feed-psu", "dmm-in", 0, false}, {"feed-psu", "sink-1 dmm-in", 0, false}, {"dmm-in", "sink-1", 0, false},
	} {
		if line, ok := b.LineFrom(c.from, strings.Fields(c.to)...); line != c.line || ok != c.ok {
			t.Errorf("from %s to %s: %d, %v", c.from, c.to, line, ok)
		}
	}
}

// A line that a model does not have is a finding; a model that is not known is not judged.
func TestModelsHaveTheLines(t *testing.T) {
	models := map[string]*model.Model{}
	for name, kind := range map[string]string{"feed-psu": "dc-source", "sink-1": "electronic-load", "dmm-in": "meter"} {
		data, _ := model.FromLibrary(kind)
		var found diag.Findings
		models[name] = model.Read(kind+".yaml", data, &found)
	}
	without := *models["dmm-in"]
	without.Channels = append([]model.Channel(nil), without.Channels...)
	without.Channels[0].Triggers = nil
	for _, c := range []struct {
		text  string
		meter *model.Model
		want  string
	}{
		{joinedBench, models["dmm-in"], ""},
		{joinedBench, &without, "dmm-in (model meter) has no trigger lines"},
		{strings.Replace(joinedBench, "line: 3", "line: 5", 1), nil, "sink-1 (model electronic-load) has no trigger line 5"},
	} {
		var found diag.Findings
		models["dmm-in"] = c.meter
		bench.CheckModels(read(t, c.text), models, &found)
		var text strings.Builder
		for _, f := range found.List() {
			text.WriteString(f.Error())
		}
		if (c.want == "") != (text.Len() == 0) || !strings.Contains(text.String(), c.want) {
			t.Errorf("found %q, want %q", text.String(), c.want)
		}
	}
}
