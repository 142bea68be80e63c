package quantity

import (
	"fmt"
	"math"
	"strings"
)

// Span is a closed range of one dimension, such as "9..16 V". An open end is an infinity. The zero value holds only the
// ratio 0; [Span.Set] tells a span that was read from one that was left out.
type Span struct {
	Low, High float64 // SI
	Dim       Dimension
	Set       bool
}

// ParseSpan reads "9..16 V", "..18 V", "4.5 V..", "-200 mA..3 A", or one quantity, which is the span of that value alone.
// The unit may stand after the second number only. The ends must have one dimension and be in order.
func ParseSpan(text string) (Span, error) {
	low, high, isSpan := strings.Cut(text, "..")
	if !isSpan {
		q, err := Parse(text)
		if err != nil {
			return Span{}, err
		}
		return Span{q.SI, q.SI, q.Dim, true}, nil
	}
	low, high = strings.TrimSpace(low), strings.TrimSpace(high)
	s := Span{Low: math.Inf(-1), High: math.Inf(1), Set: true}
	if low == "" && high == "" {
		return Span{}, fmt.Errorf("%q: a span needs at least one end, as in \"..18 V\"", text)
	}
	var highSymbol string
	if high != "" {
		q, err := Parse(high)
		if err != nil {
			return Span{}, err
		}
		_, highSymbol, _ = split(high)
		s.High, s.Dim = q.SI, q.Dim
	}
	if low != "" {
		if _, symbol, err := split(low); err == nil && symbol == "" && highSymbol != "" {
			low += " " + highSymbol
		}
		q, err := Parse(low)
		if err != nil {
			return Span{}, err
		}
		if high != "" && q.Dim != s.Dim {
			return Span{}, fmt.Errorf("%q: one end is %s, the other %s", text, q.Dim.Name(), s.Dim.Name())
		}
		s.Low, s.Dim = q.SI, q.Dim
	}
	if s.Low > s.High {
		return Span{}, fmt.Errorf("%q: the lower end comes first", text)
	}
	return s, nil
}

// ParseSpanAs reads a span that must have the dimension want.
func ParseSpanAs(text string, want Dimension) (Span, error) {
	s, err := ParseSpan(text)
	if err != nil {
		return Span{}, err
	}
	if s.Dim != want {
		return Span{}, mismatch(text, Quantity{Dim: s.Dim}, want)
	}
	return s, nil
}

// Holds tells whether si lies in the span, ends included.
func (s Span) Holds(si float64) bool { return si >= s.Low && si <= s.High }

// Within tells whether the whole of s lies in outer.
func (s Span) Within(outer Span) bool { return s.Low >= outer.Low && s.High <= outer.High }

// String prints "9 V..16 V", "..18 V" or "4.5 V..".
func (s Span) String() string {
	end := func(v float64) string {
		if math.IsInf(v, 0) {
			return ""
		}
		return Quantity{v, s.Dim}.String()
	}
	if s.Low == s.High {
		return end(s.Low)
	}
	return end(s.Low) + ".." + end(s.High)
}
