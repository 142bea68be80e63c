package profile

import (
	"embed"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Basis says how well the figures of a preset are known.
type Basis string

// The bases.
const (
	Read       Basis = "read"        // in the standard, or in a text that quotes it
	FromMemory Basis = "from memory" // not looked up: hold it against the standard before a test is called conforming
)

// Preset is a wave that a standard or practice describes.
type Preset struct {
	Name      string
	Title     string
	Standard  string // "ISO 16750-2"; of practice what it is practice of
	Edition   string // "2010"; empty: not stated
	Clause    string // empty: not known
	Basis     Basis
	Source    string // where the figures were read, in words
	About     string // what to know before it is used
	Wave      Wave
	Repeat    int     // how often it is run
	Gap       float64 // s from the end of one to the beginning of the next
	Tolerance Tolerance
	SourceOhm [2]float64 // resistance of the source, from and to; 0, 0: not stated
	Negative  bool       // the supply is negative to earth; the voltages are magnitudes
}

// Tag is standard, edition, clause and basis in one line, as a record and a report say it.
func (p *Preset) Tag() string {
	text := p.Standard
	for _, more := range []string{p.Edition, p.Clause} {
		if more != "" {
			text += ", " + more
		}
	}
	text += " (" + string(p.Basis)
	if p.Basis == FromMemory {
		text += ", unverified"
	}
	return text + ")"
}

//go:embed presets/*.yaml
var files embed.FS

// Presets reads the presets that come with the program, by name.
func Presets() ([]*Preset, error) {
	var out []*Preset
	entries, err := files.ReadDir("presets")
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		data, err := files.ReadFile("presets/" + e.Name())
		if err != nil {
			return nil, err
		}
		var found diag.Findings
		out = append(out, ReadPresets(e.Name(), data, &found)...)
		if list := found.List(); len(list) > 0 {
			return nil, list[0]
		}
	}
	slices.SortFunc(out, func(a, b *Preset) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

// Version is what the first key of a file of presets says.
const Version = "presets/1"

// shape describes a file of presets.
func shape() diag.Type {
	time, volts := diag.Amount(quantity.Time), diag.Amount(quantity.Voltage)
	ripple := &diag.Shape{Title: "a ripple", Fields: []diag.Field{
		{Name: "frequency", Type: diag.Amount(quantity.Frequency), Required: true, About: "of the sine"},
		{Name: "peak_to_peak", Type: volts, Required: true, About: "of the sine"},
		{Name: "from", Type: time, Required: true, About: "where it begins"},
		{Name: "to", Type: time, Required: true, About: "where it ends, whole periods later"},
	}}
	walk := &diag.Shape{Title: "a walk through a range", Fields: []diag.Field{
		{Name: "range", Type: diag.SpanOf(quantity.Voltage), Required: true, About: "from the lowest to the highest voltage"},
		{Name: "nominal", Type: volts, Required: true, About: "where it begins and ends"},
		{Name: "hold", Type: time, Required: true, About: "how long at each"},
		{Name: "move", Type: time, Required: true, About: "from one to the next"},
	}}
	within := &diag.Shape{Title: "a tolerance", Fields: []diag.Field{
		{Name: "relative", Type: diag.Amount(quantity.Ratio), About: "of the voltage"},
		{Name: "volts", Type: volts, About: "besides"},
		{Name: "time", Type: time, About: "early or late"},
	}}
	return diag.Struct(&diag.Shape{Title: "presets of supplies", Fields: []diag.Field{
		{Name: "fourwire", Type: diag.Word(Version), Required: true, About: "the kind of file, presets/1"},
		{Name: "presets", Type: diag.MapOf("names of presets", diag.Struct(&diag.Shape{Title: "a preset", Fields: []diag.Field{
			{Name: "title", Type: diag.Text(), Required: true, About: "what it is"},
			{Name: "standard", Type: diag.Text(), Required: true, About: "the standard, or what it is practice of"},
			{Name: "edition", Type: diag.Text(), About: "of the standard"},
			{Name: "clause", Type: diag.Text(), About: "clause or table"},
			{Name: "basis", Type: diag.Word(string(Read), string(FromMemory)), Required: true, About: "how well the figures are known"},
			{Name: "source", Type: diag.Text(), About: "where the figures were read"},
			{Name: "about", Type: diag.Text(), About: "what to know before it is used"},
			{Name: "points", Type: diag.ListOf(diag.ListOf(diag.Amount(quantity.Time, quantity.Voltage))), About: "pairs of time and voltage, straight lines between them"},
			{Name: "walk", Type: diag.Struct(walk), About: "in place of points: nominal, lowest, highest, nominal"},
			{Name: "ripple", Type: diag.Struct(ripple), About: "a sine on top of it"},
			{Name: "repeat", Type: diag.Whole(1, 100_000), About: "how often; once if not said"},
			{Name: "gap", Type: time, About: "from the end of one to the beginning of the next"},
			{Name: "within", Type: diag.Struct(within), Required: true, About: "how far off still counts as followed"},
			{Name: "resistance", Type: diag.SpanOf(quantity.Resistance), About: "of the source"},
			{Name: "negative", Type: diag.YesNo(), About: "whether the supply is negative to earth; voltages are magnitudes"},
		}})), Required: true, About: "what there is"},
	}})
}

// ReadPresets reads a file of presets; what is wrong with it is among the findings.
func ReadPresets(name string, data []byte, found *diag.Findings) []*Preset {
	root := diag.Parse(name, data, found)
	if root == nil || !shape().Check(root, found) {
		return nil
	}
	var out []*Preset
	for _, e := range root.Get("presets").Entries {
		n := e.Value
		p := &Preset{Name: e.Key, Title: word(n.Get("title")), Standard: word(n.Get("standard")), Edition: word(n.Get("edition")), Clause: word(n.Get("clause")),
			Basis: Basis(word(n.Get("basis"))), Source: word(n.Get("source")), About: word(n.Get("about")), Repeat: 1, Gap: si(n.Get("gap"))}
		if r := n.Get("repeat"); r != nil {
			p.Repeat, _ = strconv.Atoi(r.Text)
		}
		p.Negative, _ = diag.Yes(word(n.Get("negative")))
		t := n.Get("within")
		p.Tolerance = Tolerance{Relative: si(t.Get("relative")), Volts: si(t.Get("volts")), Seconds: si(t.Get("time"))}
		if s, err := quantity.ParseSpan(word(n.Get("resistance"))); err == nil && s.Set {
			p.SourceOhm = [2]float64{s.Low, s.High}
		}
		if p.Basis == Read && p.Source == "" {
			found.Add(e.Place, "%s was read, and where is not said", p.Name)
		}
		var err error
		if p.Wave, err = waveOf(n); err == nil {
			err = p.Wave.Check()
		}
		if err != nil {
			found.Add(e.Place, "%s: %s", p.Name, err)
			continue
		}
		out = append(out, p)
	}
	return out
}

func waveOf(n *diag.Node) (Wave, error) {
	points, walk := n.Get("points"), n.Get("walk")
	if (points == nil) == (walk == nil) {
		return nil, fmt.Errorf("a preset has either points or a walk")
	}
	var w Wave
	if walk != nil {
		span, err := quantity.ParseSpan(word(walk.Get("range")))
		if err != nil {
			return nil, err
		}
		nominal, hold, move := si(walk.Get("nominal")), si(walk.Get("hold")), si(walk.Get("move"))
		at := 0.0
		for i, v := range []float64{nominal, span.Low, span.High, nominal} {
			if i > 0 {
				at += move
			}
			w = append(w, Point{at, v}, Point{at + hold, v})
			at += hold
		}
		return w, nil
	}
	for _, item := range points.Items {
		if len(item.Items) != 2 {
			return nil, fmt.Errorf("a point is [time, voltage]")
		}
		t, err1 := quantity.Parse(word(item.Items[0]))
		v, err2 := quantity.Parse(word(item.Items[1]))
		if err1 != nil || err2 != nil || t.Dim != quantity.Time || v.Dim != quantity.Voltage {
			return nil, fmt.Errorf("a point is [time, voltage], as in [10 ms, 6 V]")
		}
		w = append(w, Point{t.SI, v.SI})
	}
	if r := n.Get("ripple"); r != nil && w.Check() == nil {
		return w.with(si(r.Get("from")), si(r.Get("to")), si(r.Get("frequency")), si(r.Get("peak_to_peak"))/2)
	}
	return w, nil
}

// chords is how many straight lines stand for one period of a sine: they miss it by 2 % of its amplitude at most (1 - cos(pi/16)).
const chords = 16

// with is the wave with a sine on a part of it.
func (w Wave) with(from, to, hertz, amplitude float64) (Wave, error) {
	n := math.Round((to - from) * hertz)
	if !(n >= 1) || math.Abs((to-from)*hertz-n) > 1e-6 || from < 0 || to > w.Seconds() {
		return nil, fmt.Errorf("a ripple has whole periods inside the profile")
	}
	var out Wave
	for _, p := range w {
		if p.Seconds <= from {
			out = append(out, p)
		}
	}
	for k := range int(n)*chords + 1 {
		at := from + float64(k)/(chords*hertz)
		if k == int(n)*chords {
			at = to
		}
		out = append(out, Point{at, w.At(at) + amplitude*math.Sin(2*math.Pi*float64(k)/chords)})
	}
	for _, p := range w {
		if p.Seconds > from && p.Seconds < to {
			return nil, fmt.Errorf("a corner of the profile lies inside its ripple")
		}
		if p.Seconds >= to {
			out = append(out, p)
		}
	}
	return out, nil
}

func word(n *diag.Node) string {
	if n == nil || n.Form != diag.Scalar {
		return ""
	}
	return n.Text
}

func si(n *diag.Node) float64 {
	q, err := quantity.Parse(word(n))
	if err != nil {
		return 0
	}
	return q.SI
}
