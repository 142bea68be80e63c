package sim

import (
	"strconv"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim/instrument"
	"fourwire/sim/scpi"
)

const (
	usualAmbientC = 23
	usualNoiseAt  = 20 * time.Millisecond
	leastLeadOhm  = 1e-6
)

// Read reads a scenario file and notes all that is wrong with it. It returns nil where anything is.
func Read(name string, data []byte, found *diag.Findings) *Scenario {
	var own diag.Findings
	own.Source(name, data)
	defer func() { found.Source(name, data); found.Join(own.List()) }()
	root := diag.Parse(name, data, &own)
	if root == nil || own.Failed() {
		return nil
	}
	if root.Form != diag.Mapping {
		own.Add(root.Place, "a scenario is wanted here, this is %s", root.Form)
		return nil
	}
	if !Shape().Check(root, &own) {
		return nil
	}
	r := reader{found: &own, file: name}
	s := r.scenario(root)
	if own.Failed() {
		return nil
	}
	return s
}

type reader struct {
	found *diag.Findings
	file  string
}

func (r *reader) scenario(root *diag.Node) *Scenario {
	s := &Scenario{File: r.file, AmbientC: usualAmbientC}
	if n := root.Get("title"); n != nil {
		s.Title = n.Text
	}
	if n := root.Get("seed"); n != nil {
		s.Seed, _ = strconv.ParseUint(strings.TrimSpace(n.Text), 10, 64)
	}
	if n := root.Get("ambient"); n != nil {
		if q, err := quantity.Parse(n.Text); err == nil {
			s.AmbientC = celsius(q.SI)
		}
		if s.AmbientC < -100 || s.AmbientC > 200 {
			r.found.Add(n.Place, "%s is no temperature for a bench", n.Text)
		}
	}
	if n := root.Get("devices"); n != nil {
		for _, e := range n.Entries {
			s.Devices = append(s.Devices, r.device(e, s.AmbientC))
		}
	}
	for _, e := range root.Get("instruments").Entries {
		s.Instruments = append(s.Instruments, r.instrument(e, s.AmbientC))
	}
	for _, n := range root.Get("wiring").Items {
		s.Wiring = append(s.Wiring, r.wire(n, s))
	}
	r.triggers(root.Get("triggers"), s)
	if n := root.Get("faults"); n != nil && !r.found.Failed() {
		for _, item := range n.Items {
			if incidentKind(item.Get("kind").Text) {
				s.Incidents = append(s.Incidents, r.incident(item, s))
				continue
			}
			s.Faults = append(s.Faults, r.fault(item, s))
		}
	}
	r.unwired(s)
	return s
}

func (r *reader) device(e diag.Entry, ambientC float64) Device {
	n := e.Value
	d := Device{
		Name: e.Key, Kind: n.Get("kind").Text, Place: e.Place, Minus: Ground,
		Buck: defaultBuck(), Boost: defaultBoost(), Ldo: defaultLdo(),
	}
	d.Diode.NominalC, d.Diode.SaturationA, d.Diode.Emission, d.Diode.SeriesOhm = 27, 2.52e-9, 1.752, 0.568
	d.Buck.Heat.AmbientC, d.Boost.Heat.AmbientC, d.Ldo.Heat.AmbientC, d.Resistor.Heat.AmbientC, d.Diode.Celsius = ambientC, ambientC, ambientC, ambientC, ambientC
	for key, into := range map[string]*string{"in": &d.In, "out": &d.Out, "plus": &d.Plus, "supply": &d.Plus, "minus": &d.Minus} {
		if v := n.Get(key); v != nil {
			*into = r.node(v)
		}
	}
	for key, into := range map[string]*bool{"forced_pwm": &d.Buck.ForcedPWM, "hiccup": &d.Buck.Hiccup, "ripple": &d.Ripple, "load_disconnect": &d.Boost.LoadDisconnect} {
		if v := n.Get(key); v != nil {
			*into, _ = diag.Yes(v.Text)
		}
	}
	var err error
	switch d.Kind {
	case "buck":
		fill(n, buckNumbers(), &d)
		err = d.Buck.Validate()
	case "boost":
		fill(n, boostNumbers(), &d)
		err = d.Boost.Validate()
	case "ldo":
		fill(n, ldoNumbers(), &d)
		err = d.Ldo.Validate()
	case "resistor":
		fill(n, resistorNumbers(), &d)
		err = d.Resistor.Validate()
	case "diode":
		fill(n, diodeNumbers(), &d)
		err = d.Diode.Validate()
	case "capacitor":
		fill(n, capacitorNumbers(), &d)
	case "inductor":
		fill(n, inductorNumbers(), &d)
		if !(d.Henry > 0) || d.Henry > 1e3 {
			r.found.Add(e.Place, "%s: an inductance of %g H cannot be", e.Key, d.Henry)
		}
	case "node":
		d.Node = defaultNode()
		d.Node.Retries = usualRetries
		if v := n.Get("retries"); v != nil {
			d.Node.Retries, _ = strconv.Atoi(strings.TrimSpace(v.Text))
		}
		fill(n, nodeNumbers(), &d)
		err = d.Node.Validate()
	case "battery":
		r.battery(n, &d, ambientC)
		err = d.Battery.Validate()
	}
	if other := r.readComponent(n, &d, ambientC); err == nil {
		err = other
	}
	fill(n, burstNumbers(), &d)
	if d.BurstHertz < 0 || d.BurstHertz > 1e6 {
		r.found.Add(e.Place, "%s: bursts of %g Hz cannot be", e.Key, d.BurstHertz)
	}
	if n.Get("burst_duty") != nil && (d.BurstDuty <= 0 || d.BurstDuty > 1) {
		r.found.Add(e.Place, "%s: a burst takes between 0 and 100 %% of the time, not %g", e.Key, d.BurstDuty)
	}
	if err != nil {
		for _, line := range strings.Split(err.Error(), "\n") {
			r.found.Add(e.Place, "%s: %s", e.Key, line)
		}
	}
	for _, farad := range []float64{d.Farad, d.InFarad, d.OutFarad, d.Node.BulkF, d.Node.RadioF} {
		if farad < 0 || farad > 10 {
			r.found.Add(e.Place, "%s: a capacitance of %g F cannot be", e.Key, farad)
		}
	}
	if d.Kind == "capacitor" && d.Farad == 0 {
		r.found.Add(e.Place, "%s: a capacitance of 0 F cannot be", e.Key)
	}
	if !(d.EsrOhm >= 0) || !(d.WindingOhm >= 0) {
		r.found.Add(e.Place, "%s: a series resistance is 0 ohm or more", e.Key)
	}
	for _, pair := range [2][2]string{{d.In, d.Out}, {d.Plus, d.Minus}} {
		if pair[0] != "" && pair[0] == pair[1] {
			r.found.Add(e.Place, "%s: both terminals are at %s", e.Key, pair[0])
		}
	}
	return d
}

// node reads the name of a node.
func (r *reader) node(n *diag.Node) string {
	for _, c := range n.Text {
		if c != '.' && c != '_' && c != '-' && (c < '0' || c > '9') && (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') {
			r.found.Add(n.Place, "%q is no name of a node: letters, digits, '.', '_' and '-' are possible", n.Text)
			break
		}
	}
	if n.Text == "" {
		r.found.Add(n.Place, "the name of a node is missing")
	}
	return n.Text
}

func (r *reader) instrument(e diag.Entry, ambientC float64) Instrument {
	n := e.Value
	kind, _ := kindNamed(n.Get("kind").Text)
	in := Instrument{
		Name: e.Key, Kind: kind, Place: e.Place, Processing: instrument.Alike(time.Millisecond),
		Identity: [4]string{"fourwire", "simulated " + kind.String(), e.Key, "1.0"},
	}
	if v := n.Get("identity"); v != nil {
		fields := strings.Split(v.Text, ",")
		if len(fields) != 4 {
			r.found.Add(v.Place, "an identity has four fields, maker, model, serial and firmware, with commas between; this has %d", len(fields))
		} else {
			for i, f := range fields {
				in.Identity[i] = strings.TrimSpace(f)
			}
		}
	}
	o := scpi.Options{Maker: in.Identity[0], Model: in.Identity[1], Serial: in.Identity[2], Firmware: in.Identity[3]}
	if err := o.Validate(); err != nil {
		place := e.Place
		if v := n.Get("identity"); v != nil {
			place = v.Place
		}
		r.found.Add(place, "%s", strings.Split(err.Error(), "\n")[0])
	}
	if v := n.Get("processing"); v != nil {
		switch v.Text {
		case "fast":
			in.Processing = instrument.Fast()
		case "slow":
			in.Processing = instrument.Slow()
		default:
			q, _ := quantity.Parse(v.Text)
			if in.Processing = instrument.Alike(duration(q.SI)); q.SI < 0 || q.SI > 60 {
				r.found.Add(v.Place, "a processing time of %s cannot be; 0 s to 60 s are possible", v.Text)
			}
		}
	}
	if v := n.Get("error_queue"); v != nil {
		in.ErrorQueue, _ = strconv.Atoi(strings.TrimSpace(v.Text))
	}
	if v := n.Get("watchdog"); v != nil {
		in.Watchdog, _ = diag.Yes(v.Text)
		if in.Watchdog && kind != instrument.Source && kind != instrument.Unit {
			r.found.Add(v.Place, "a %s has no output that a watchdog could switch off", kind)
		}
	}
	r.quirks(n.Get("quirks"), &in)
	channels := n.Get("channels")
	if channels == nil {
		in.Channels = []Channel{r.channel(&diag.Node{Form: diag.Mapping, Place: e.Place}, kind, ambientC)}
		return in
	}
	for _, c := range channels.Items {
		in.Channels = append(in.Channels, r.channel(c, kind, ambientC))
	}
	if len(in.Channels) == 0 || len(in.Channels) > 14 {
		r.found.Add(channels.Place, "%d channels: 1 to 14 are possible", len(in.Channels))
	}
	if kind != instrument.Source && kind != instrument.Switch && len(in.Channels) > 1 {
		r.found.Add(channels.Place, "a %s has one channel, this has %d", kind, len(in.Channels))
	}
	return in
}

func (r *reader) quirks(n *diag.Node, in *Instrument) {
	if n == nil {
		return
	}
	for _, f := range quirkFlags() {
		if v := n.Get(f.name); v != nil {
			if yes, _ := diag.Yes(v.Text); yes {
				f.set(in)
			}
		}
	}
	if v := n.Get("terminator"); v != nil {
		in.Quirks.Terminator = map[string]string{"lf": "\n", "crlf": "\r\n", "cr": "\r", "lfcr": "\n\r"}[v.Text]
	}
	if v := n.Get("prompt"); v != nil {
		in.Quirks.Prompt = v.Text
	}
	if v := n.Get("acknowledge"); v != nil {
		in.Quirks.Acknowledge = v.Text
	}
	if v := n.Get("semicolon"); v != nil {
		in.Speech.Compound = map[string]scpi.Compound{"joins": scpi.CompoundJoins, "ends": scpi.CompoundEnds, "refused": scpi.CompoundRefused}[v.Text]
	}
	for key, into := range map[string]*int{"input_limit": &in.Quirks.InputLimit, "baud": &in.Quirks.Baud} {
		if v := n.Get(key); v != nil {
			*into, _ = strconv.Atoi(strings.TrimSpace(v.Text))
		}
	}
}
