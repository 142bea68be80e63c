package model

import (
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Read reads a model file. All that is wrong with it is among the findings; the model is nil then.
func Read(name string, data []byte, found *diag.Findings) *Model {
	var own diag.Findings
	root := diag.Parse(name, data, &own)
	m := (*Model)(nil)
	if root != nil && Shape().Check(root, &own) {
		r := reader{found: &own}
		m = r.model(root)
		m.Name, m.File, m.Source = bareName(name), name, data
	}
	found.Source(name, data)
	found.Join(own.List())
	if own.Failed() {
		return nil
	}
	return m
}

// bareName is what a model is called: its file without folder and endings.
func bareName(file string) string {
	base := filepath.Base(filepath.ToSlash(file))
	base = strings.TrimSuffix(strings.TrimSuffix(base, ".yaml"), ".yml")
	return strings.TrimSuffix(base, ".model")
}

type reader struct{ found *diag.Findings }

func (r *reader) model(root *diag.Node) *Model {
	m := &Model{About: text(root.Get("about")), Place: root.Place}
	id := root.Get("identity")
	m.Identity = Pattern{r.pattern(id.Get("maker")), r.pattern(id.Get("model")), r.pattern(id.Get("firmware"))}
	m.Wire = r.wire(root.Get("wire"))
	m.Timing = r.timing(root.Get("timing"))
	dialect := root.Get("dialect")
	m.Dialect = r.dialect(dialect)
	list := root.Get("channels")
	if len(list.Items) == 0 {
		r.found.Add(list.Place, "an instrument has at least one channel")
	}
	for _, n := range list.Items {
		ch := r.channel(n, m.Dialect)
		copies := 1
		if c := n.Get("copies"); c != nil {
			copies = whole(c)
		}
		for range copies {
			one := ch
			one.Number = len(m.Channels) + 1
			m.Channels = append(m.Channels, one)
		}
		r.words(&ch, n, dialect, copies > 1 || len(list.Items) > 1)
	}
	r.common(m, dialect)
	return m
}

func (r *reader) pattern(n *diag.Node) *regexp.Regexp {
	if n == nil {
		return nil
	}
	p, err := regexp.Compile("^(?:" + n.Text + ")$")
	if err != nil {
		r.found.Add(n.Place, "%q is no regular expression: %s", n.Text, regexpFault(err))
	}
	return p
}

// regexpFault is the message without the expression, which stands beside it already.
func regexpFault(err error) string {
	return strings.TrimPrefix(strings.SplitN(err.Error(), ": `", 2)[0], "error parsing regexp: ")
}

func (r *reader) wire(n *diag.Node) Wire {
	w := Wire{End: text(n.Get("end")), Gap: r.duration(n.Get("gap")), Echo: yes(n.Get("echo")), Single: yes(n.Get("one_connection")),
		PlainLine: yes(n.Get("plain_lines")), Compound: yes(n.Get("compound")), AnswerWithin: r.duration(n.Get("answer_within"))}
	if m := n.Get("longest_message"); m != nil {
		w.MaxMessage = whole(m)
	}
	known := []string{"baud", "bits", "parity", "stop", "flow", "backend", "clear", "settle"}
	if serial := n.Get("serial"); serial != nil {
		for _, e := range serial.Entries {
			if word, ok := diag.Closest(e.Key, known); word != e.Key {
				hint := ""
				if ok {
					hint = "did you mean " + word + "?"
				}
				r.found.AddHint(e.Place, hint, "%q is no option of a serial port", e.Key)
				continue
			}
			w.SerialOnly = append(w.SerialOnly, Option{e.Key, e.Value.Text})
		}
	}
	return w
}

func (r *reader) timing(n *diag.Node) Timing {
	return Timing{Processing: r.duration(n.Get("processing")), OutputUp: r.duration(n.Get("output_up")), OutputDown: r.duration(n.Get("output_down")),
		Reading: r.duration(n.Get("reading")), RangeChange: r.duration(n.Get("range_change")), ModeChange: r.duration(n.Get("mode_change")),
		Reset: r.duration(n.Get("reset"))}
}

func text(n *diag.Node) string {
	if n == nil {
		return ""
	}
	return n.Text
}

func yes(n *diag.Node) bool {
	on, _ := diag.Yes(text(n))
	return on
}

// whole reads a number that the shape has checked.
func whole(n *diag.Node) int {
	v := 0
	for _, c := range strings.TrimSpace(n.Text) {
		if c >= '0' && c <= '9' {
			v = v*10 + int(c-'0')
		}
	}
	return v
}

// amount reads a quantity that the shape has checked, 0 where it is absent. A negative one is a fault wherever it is read in this way.
func (r *reader) amount(n *diag.Node) float64 {
	if n == nil {
		return 0
	}
	q, err := quantity.Parse(n.Text)
	if err == nil && q.SI < 0 {
		r.found.Add(n.Place, "%q: this cannot be negative", n.Text)
	}
	return q.SI
}

func (r *reader) duration(n *diag.Node) time.Duration {
	seconds := r.amount(n)
	if seconds > 86400 {
		r.found.Add(n.Place, "%q: more than a day", n.Text)
		return 0
	}
	return time.Duration(math.Round(seconds * float64(time.Second)))
}

// span reads a span that must have both ends.
func (r *reader) span(n *diag.Node) quantity.Span {
	if n == nil {
		return quantity.Span{}
	}
	s, _ := quantity.ParseSpan(n.Text)
	if s.Low < -1e30 || s.High > 1e30 {
		r.found.AddHint(n.Place, "write both, as in 0..32 V", "%q: an instrument has limits at both ends", n.Text)
	} else if s.Low == s.High {
		r.found.AddHint(n.Place, "write both ends, as in 0..32 V", "%q is one value; a span is wanted here", n.Text)
	}
	return s
}
