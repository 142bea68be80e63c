// Package measured gives measured values that carry their error sources: a number, and how much each named independent
// input moves it. Values that share an input (the gain error of one channel on one range, say) are correlated through it,
// so that a shared error cancels in a ratio or a difference by itself.
//
// Propagation is linear: the law of propagation of uncertainty of JCGM 100:2008, clause 5.1, written with independent
// inputs so that no covariance is needed.
package measured

import (
	"math"
	"sort"

	"fourwire/quantity"
)

// ID stands for one independent input of a [Ledger].
type ID uint32

// Kind says where an error comes from.
type Kind uint8

// The kinds of error input.
const (
	Gain         Kind = iota + 1 // in proportion to the reading; shared by all readings of a channel, function and range
	Offset                       // constant; shared likewise
	Noise                        // scatter of one reading
	Quantisation                 // resolution of one reading
	Temperature                  // outside the calibration window; shared by the instrument
	Age                          // beyond the calibration interval; shared by the channel, function and range
	Lead                         // node position: lead resistance between the terminals and the node
	Skew                         // readings that were not taken at one time
	Ripple                       // aperture against ripple
)

var kindNames = [...]string{"", "gain", "offset", "noise", "quantisation", "temperature", "age", "lead", "skew", "ripple"}

// String is the word for a budget table.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return "unknown"
}

// Shape is the distribution of an input.
type Shape uint8

// The shapes; the zero value is Normal.
const (
	Normal      Shape = iota
	Rectangular       // equally likely within a limit: the reading of a specification without a stated coverage
)

// Input describes one independent error input.
type Input struct {
	Name  string  // "meter ch 1 volts 10 V gain"
	Kind  Kind    //
	Shape Shape   //
	DOF   float64 // degrees of freedom; 0 means infinitely many
}

// Ledger knows the inputs of one run. The zero value is empty and ready. It is used by one goroutine at a time.
type Ledger struct {
	inputs []Input
	shared map[string]ID
}

// Shared gives the input with this name, the same one each time.
func (l *Ledger) Shared(in Input) ID {
	if id, ok := l.shared[in.Name]; ok {
		return id
	}
	if l.shared == nil {
		l.shared = map[string]ID{}
	}
	id := l.Own(in)
	l.shared[in.Name] = id
	return id
}

// Own gives a new input that no other reading shares.
func (l *Ledger) Own(in Input) ID {
	l.inputs = append(l.inputs, in)
	return ID(len(l.inputs) - 1)
}

// IsShared tells whether an input was made by Shared, so that its name alone stands for it.
func (l *Ledger) IsShared(id ID) bool {
	shared, ok := l.shared[l.Input(id).Name]
	return ok && shared == id
}

// Input looks an input up; the zero Input for an ID of another ledger.
func (l *Ledger) Input(id ID) Input {
	if int(id) >= len(l.inputs) {
		return Input{}
	}
	return l.inputs[id]
}

// Term is the part of a value's uncertainty that one input makes: sensitivity times the input's standard uncertainty, with
// its sign, in the SI unit of the value.
type Term struct {
	Input ID
	Part  float64
}

// Value is a measured number in SI units with its error terms, sorted by input. The zero value is an exact ratio of 0.
type Value struct {
	X     float64
	Dim   quantity.Dimension
	Terms []Term
}

// Exact is a number without error: a constant, or a setting that was asked for.
func Exact(q quantity.Quantity) Value { return Value{X: q.SI, Dim: q.Dim} }

// New makes a value from its terms, in any order; terms of one input are added.
func New(q quantity.Quantity, terms ...Term) Value {
	v := Value{X: q.SI, Dim: q.Dim, Terms: append([]Term(nil), terms...)}
	sort.Slice(v.Terms, func(i, j int) bool { return v.Terms[i].Input < v.Terms[j].Input })
	out := v.Terms[:0]
	for _, t := range v.Terms {
		if n := len(out); n > 0 && out[n-1].Input == t.Input {
			out[n-1].Part += t.Part
			continue
		}
		out = append(out, t)
	}
	v.Terms = out
	return v
}

// Quantity is the number without its uncertainty.
func (v Value) Quantity() quantity.Quantity { return quantity.Of(v.X, v.Dim) }

// Std is the standard uncertainty in SI units.
func (v Value) Std() float64 {
	var sum float64
	for _, t := range v.Terms {
		sum += t.Part * t.Part
	}
	return math.Sqrt(sum)
}

// Expanded is the uncertainty with coverage factor k = 2, about 95 % where no single rectangular input dominates.
func (v Value) Expanded() float64 { return 2 * v.Std() }

// Biggest is the term that contributes most; ok is false for an exact value.
func (v Value) Biggest() (t Term, ok bool) {
	for _, c := range v.Terms {
		if !ok || math.Abs(c.Part) > math.Abs(t.Part) {
			t, ok = c, true
		}
	}
	return t, ok
}

// Covariance of two values through the inputs they share, in the product of their SI units.
func Covariance(a, b Value) float64 {
	var sum float64
	for i, j := 0, 0; i < len(a.Terms) && j < len(b.Terms); {
		switch ta, tb := a.Terms[i], b.Terms[j]; {
		case ta.Input < tb.Input:
			i++
		case ta.Input > tb.Input:
			j++
		default:
			sum += ta.Part * tb.Part
			i, j = i+1, j+1
		}
	}
	return sum
}

// Linear is a value x of dimension dim that moves by ca for each unit of a and by cb for each unit of b: what every
// function of two values comes down to.
func Linear(x float64, dim quantity.Dimension, a Value, ca float64, b Value, cb float64) Value {
	terms := make([]Term, 0, len(a.Terms)+len(b.Terms))
	i, j := 0, 0
	for i < len(a.Terms) || j < len(b.Terms) {
		switch {
		case j >= len(b.Terms) || i < len(a.Terms) && a.Terms[i].Input < b.Terms[j].Input:
			terms = append(terms, Term{a.Terms[i].Input, ca * a.Terms[i].Part})
			i++
		case i >= len(a.Terms) || b.Terms[j].Input < a.Terms[i].Input:
			terms = append(terms, Term{b.Terms[j].Input, cb * b.Terms[j].Part})
			j++
		default:
			terms = append(terms, Term{a.Terms[i].Input, ca*a.Terms[i].Part + cb*b.Terms[j].Part})
			i, j = i+1, j+1
		}
	}
	return Value{X: x, Dim: dim, Terms: terms}
}

// Map is a function of one value: its result x of dimension dim, and its slope there.
func Map(x float64, dim quantity.Dimension, a Value, slope float64) Value {
	return Linear(x, dim, a, slope, Value{}, 0)
}

// Add is a + b; the caller has checked that the dimensions agree, as everywhere below.
func Add(a, b Value) Value { return Linear(a.X+b.X, a.Dim, a, 1, b, 1) }

// Sub is a - b.
func Sub(a, b Value) Value { return Linear(a.X-b.X, a.Dim, a, 1, b, -1) }

// Mul is a * b.
func Mul(a, b Value) Value { return Linear(a.X*b.X, a.Dim.Times(b.Dim), a, b.X, b, a.X) }

// Div is a / b; a zero b gives an infinity or NaN, as division does.
func Div(a, b Value) Value {
	return Linear(a.X/b.X, a.Dim.Over(b.Dim), a, 1/b.X, b, -a.X/(b.X*b.X))
}

// Mean is the mean of one or more values of one dimension; shared errors stay, scatter averages.
func Mean(values ...Value) Value {
	if len(values) == 0 {
		return Value{X: math.NaN()}
	}
	sum := values[0]
	for _, v := range values[1:] {
		sum = Add(sum, v)
	}
	n := 1 / float64(len(values))
	return Map(sum.X*n, sum.Dim, sum, n)
}
