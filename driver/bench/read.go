package bench

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

var (
	nameForm = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_-]*$`)
	nodeForm = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_-]*(\.[A-Za-z0-9_-]+)*$`) // as a sequence may name one
)

// Read reads a bench file. All that is wrong with it is among the findings; the bench is nil then. Whether the models of the
// instruments can do what the wiring asks of them is for [CheckModels].
func Read(name string, data []byte, found *diag.Findings) *Bench {
	var own diag.Findings
	root := diag.Parse(name, data, &own)
	if root == nil || !Shape().Check(root, &own) {
		found.Source(name, data)
		found.Join(own.List())
		return nil
	}
	r := reader{found: &own, bench: &Bench{File: name, Source: data, Place: root.Place}}
	r.read(root)
	found.Source(name, data)
	found.Join(own.List())
	if own.Failed() {
		return nil
	}
	return r.bench
}

type reader struct {
	found *diag.Findings
	bench *Bench
}

func (r *reader) read(root *diag.Node) {
	b := r.bench
	b.Title, b.Simulate = text(root.Get("title")), text(root.Get("simulate"))
	if n := root.Get("ambient"); n != nil {
		b.AmbientKelvin = amount(n)
		if b.AmbientKelvin < 233.15 || b.AmbientKelvin > 373.15 {
			r.found.AddHint(n.Place, "write it as in 23 degC", "%s is no temperature of a room with instruments", quantity.Of(b.AmbientKelvin, quantity.Temperature))
		}
	}
	instruments := root.Get("instruments")
	if len(instruments.Entries) == 0 {
		r.found.Add(instruments.Place, "a bench needs an instrument")
	}
	for _, e := range instruments.Entries {
		r.instrument(e)
	}
	r.sites(root.Get("sites"))
	for _, n := range root.Get("wiring").Items {
		r.wire(n)
	}
	r.nodes()
	r.contacts()
	r.triggers(root.Get("triggers"))
	r.facts(root)
	for _, in := range b.Instruments {
		if !r.found.Failed() && !r.used(in.Name) {
			r.found.Warn(in.Place, "wire it, or leave it out", "%s is not wired to any node", in.Name)
		}
	}
}

func (r *reader) instrument(e diag.Entry) {
	n := e.Value
	in := Instrument{Name: e.Key, Place: e.Place, Model: text(n.Get("model")), ModelPlace: n.Get("model").Place,
		Address: text(n.Get("address")), AddressPlace: n.Get("address").Place, Calibrated: text(n.Get("calibrated"))}
	if !nameForm.MatchString(e.Key) {
		r.found.AddHint(e.Place, "letters, digits, - and _, with a letter first", "%q cannot name an instrument", e.Key)
	}
	if id := n.Get("identity"); id != nil {
		in.Identity = Identity{text(id.Get("maker")), text(id.Get("model")), text(id.Get("serial"))}
	}
	if c := n.Get("calibrated"); c != nil {
		if _, err := time.Parse("2006-01-02", c.Text); err != nil {
			r.found.AddHint(c.Place, "write year, month and day, as in 2026-03-01", "%q is no date", c.Text)
		}
	}
	r.address(&in)
	r.bench.Instruments = append(r.bench.Instruments, in)
}

// address looks at what concerns the bench; the address itself is read by whoever dials it.
func (r *reader) address(in *Instrument) {
	scheme, _, found := strings.Cut(in.Address, ":")
	schemes := []string{"tcp", "serial", "sim"}
	known := false
	for _, s := range schemes {
		known = known || s == scheme
	}
	switch {
	case !found || !known:
		r.found.AddHint(in.AddressPlace, "it begins with tcp://, serial: or sim:, as in tcp://10.0.0.7:5025", "%q is no address", in.Address)
		return
	case scheme == "sim" && r.bench.Simulate == "":
		r.found.AddHint(in.AddressPlace, "name the scenario file under simulate", "%s is to be simulated, but the bench names no scenario", in.Name)
	}
	if scheme == "tcp" && strings.HasSuffix(place(in.Address), ":0") {
		return // a free port for each, where a simulated bench is served
	}
	for _, other := range r.bench.Instruments {
		if place(other.Address) == place(in.Address) {
			r.found.AddHint(in.AddressPlace, "channels of one instrument are told apart under wiring, as in "+other.Name+".2",
				"%s and %s have the same address", other.Name, in.Name)
			return
		}
	}
}

// place is an address without its options.
func place(address string) string {
	where, _, _ := strings.Cut(address, "?")
	return strings.Replace(where, "sim://", "sim:", 1)
}

func (r *reader) wire(n *diag.Node) {
	w := Wire{Place: n.Place, Node: text(n.Get("node")), As: Use(text(n.Get("as"))), Sense: Local, Channel: 1}
	channel := n.Get("channel")
	name, number, numbered := strings.Cut(channel.Text, ".")
	w.Instrument = name
	if numbered {
		ch, err := strconv.Atoi(number)
		if err != nil || ch < 1 || ch > 999 {
			r.found.AddHint(channel.Place, "write the instrument, or as in "+name+".2", "%q is no channel", channel.Text)
			return
		}
		w.Channel = ch
	}
	if r.bench.Find(name) == nil {
		var names []string
		for _, in := range r.bench.Instruments {
			names = append(names, in.Name)
		}
		r.found.AddHint(channel.Place, diag.Suggest(name, names), "there is no instrument %q on this bench", name)
		return
	}
	if !nodeForm.MatchString(w.Node) {
		r.found.AddHint(n.Get("node").Place, "write words joined by points, as in dut.in", "%q cannot name a node", w.Node)
	}
	if s := n.Get("sense"); s != nil {
		w.Sense = Sense(s.Text)
		if w.As != Source && w.As != Load {
			r.found.AddHint(s.Place, "leave sense out", "%s senses nothing but what it measures", article(w.As))
		}
	}
	if l := n.Get("lead"); l != nil {
		w.LeadOhm = amount(l)
		switch {
		case w.LeadOhm < 0:
			r.found.Add(l.Place, "a lead of %s: a resistance is not negative", l.Text)
		case w.As == Voltmeter:
			r.found.AddHint(l.Place, "leave lead out", "a voltmeter's leads carry no current that counts")
		}
	}
	if l := n.Get("lead_tolerance"); l != nil {
		w.LeadTolerance = amount(l)
		switch {
		case w.LeadTolerance < 0 || w.LeadTolerance > 1:
			r.found.Add(l.Place, "a lead_tolerance is between 0 %% and 100 %%, this is %s", l.Text)
		case n.Get("lead") == nil:
			r.found.AddHint(l.Place, "as in lead: 15 mohm", "lead_tolerance says how well a lead is known; there is no lead")
		}
	}
	if l := n.Get("inductance"); l != nil {
		w.LoopHenry = amount(l)
		switch {
		case w.LoopHenry <= 0:
			r.found.Add(l.Place, "an inductance is above zero")
		case w.As != Source && w.As != Load:
			r.found.AddHint(l.Place, "leave inductance out", "what counts is the loop of a source or a load")
		}
	}
	if e := n.Get("earthed"); e != nil {
		w.Earthed, _ = diag.Yes(e.Text)
	}
	r.sited(&w, n)
	r.same(w, channel)
	r.bench.Wiring = append(r.bench.Wiring, w)
}

// same looks for another wire of the same channel that cannot be true at the same time.
func (r *reader) same(w Wire, channel *diag.Node) {
	for _, o := range r.bench.Wiring {
		if o.Instrument != w.Instrument || o.Channel != w.Channel {
			continue
		}
		what := w.channel()
		switch {
		case o.Through != (Contact{}) && w.Through != (Contact{}) && (o.Node != w.Node || o.Site != w.Site):
		case o.Node != w.Node || o.Site != w.Site:
			hint := ""
			if o.As == Voltmeter && w.As == Voltmeter {
				hint = "a voltmeter can get to several through relays of a switch unit: through: mux.1"
			}
			r.found.AddHint(channel.Place, hint, "%s is wired to %s already; one channel is at one node", what, o.at())
		case o.As == w.As:
			r.found.Add(channel.Place, "%s is wired to %s as %s already", what, o.Node, article(o.As))
		case (o.As == Source || o.As == Load) && (w.As == Source || w.As == Load):
			r.found.Add(channel.Place, "%s cannot be source and load at one time", what)
		}
	}
}

// nodes looks at each node as a whole.
func (r *reader) nodes() {
	type key struct{ node, site string }
	source := map[key]Wire{}
	for _, w := range r.bench.Wiring {
		if w.As != Source {
			continue
		}
		if first, ok := source[key{w.Node, w.Site}]; ok {
			r.found.AddHint(w.Place, "two sources fight about the voltage; wire one of them elsewhere", "%s and %s are both the source of %s", first.Instrument, w.Instrument, w.Node)
			continue
		}
		source[key{w.Node, w.Site}] = w
	}
}

func (r *reader) used(name string) bool {
	for _, w := range r.bench.Wiring {
		if w.Instrument == name || w.Through.Instrument == name {
			return true
		}
	}
	return false
}

func article(u Use) string {
	if u == Ammeter {
		return "an " + string(u)
	}
	return "a " + string(u)
}

func text(n *diag.Node) string {
	if n == nil {
		return ""
	}
	return n.Text
}

// amount reads a quantity that the shape has checked.
func amount(n *diag.Node) float64 {
	q, err := quantity.Parse(n.Text)
	if err != nil {
		return 0
	}
	return q.SI
}
