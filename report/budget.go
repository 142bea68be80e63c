package report

import (
	"fmt"
	"math"
	"regexp"
	"sort"
	"strings"

	"fourwire/record"
)

// Budget is what the uncertainty of one value consists of.
type Budget struct {
	Point  int    // 0: of a value over all points
	Name   string // of the column, the result, or a limit as written
	Part   string
	Std    float64 // standard uncertainty, SI
	Groups []Group // the largest first
	Rest   Rest
}

// Group is the contributors that come from one place: an instrument on one range, a lead.
type Group struct {
	From   string   // "amm-in, 3 A range"
	Values []string // measured columns that come from there
	Share  float64  // of the variance, 0 to 1
	Parts  []Contributor
}

// Contributor is one error input's part.
type Contributor struct {
	Input string // its name in the record
	Kind  string // the record's word: gain, offset, noise ...
	What  string // in words: "gain", "noise of 60 readings"
	Share float64
	Count int // independent inputs of this name, taken together
}

// Rest is the contributors that the record does not name.
type Rest struct {
	Inputs int
	Share  float64
}

// Parts lists all contributors with where they come from, the largest first.
func (b Budget) Parts() []struct {
	Contributor
	From string
} {
	var out []struct {
		Contributor
		From string
	}
	for _, g := range b.Groups {
		for _, p := range g.Parts {
			out = append(out, struct {
				Contributor
				From string
			}{p, g.From})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Share > out[j].Share })
	return out
}

// Share is a share in percent, as text: "41 %", "2.4 %", "below 0.1 %".
func Share(x float64) string {
	switch percent := 100 * x; {
	case percent <= 0:
		return "0 %"
	case percent < 0.1:
		return "below 0.1 %"
	case percent < 9.95:
		return fmt.Sprintf("%.1f %%", percent)
	default:
		return fmt.Sprintf("%.0f %%", percent)
	}
}

type budgetKey struct {
	point      int
	name, part string
}

// budgets reads what the log says; the last word on a value counts.
func budgets(rec *record.Record) map[budgetKey]Budget {
	out := map[budgetKey]Budget{}
	from := newOrigins(rec)
	for _, e := range rec.Log {
		if e.Kind != "budget" {
			continue
		}
		point, part := int(number(e.Fields["point"])), word(e.Fields["part"])
		values, _ := e.Fields["values"].([]any)
		for _, x := range values {
			m, _ := x.(map[string]any)
			b := budget(m, from)
			if b.Name == "" || len(b.Groups) == 0 {
				continue
			}
			b.Point, b.Part = point, part
			key := budgetKey{point, b.Name, ""}
			if point == 0 {
				key.part = part
			}
			out[key] = b
		}
	}
	return out
}

// budget reads one value's; what is damaged is left out.
func budget(fields map[string]any, from *origins) Budget {
	b := Budget{Name: word(fields["name"]), Std: number(fields["std"])}
	list, _ := fields["parts"].([]any)
	index := map[string]int{}
	for _, x := range list {
		m, _ := x.(map[string]any)
		c := Contributor{Input: word(m["input"]), Kind: word(m["kind"]), Share: number(m["share"]), Count: max(1, int(number(m["inputs"])))}
		if c.Input == "" || !(c.Share >= 0) {
			continue
		}
		place, values := from.of(&c)
		at, ok := index[place]
		if !ok {
			at = len(b.Groups)
			index[place] = at
			b.Groups = append(b.Groups, Group{From: place, Values: values})
		}
		b.Groups[at].Share += c.Share
		b.Groups[at].Parts = append(b.Groups[at].Parts, c)
	}
	if rest, ok := fields["rest"].(map[string]any); ok {
		b.Rest = Rest{int(number(rest["inputs"])), number(rest["share"])}
	}
	sort.SliceStable(b.Groups, func(i, j int) bool { return b.Groups[i].Share > b.Groups[j].Share })
	return b
}

func word(x any) string { s, _ := x.(string); return s }

func number(x any) float64 {
	if f, ok := x.(float64); ok && !math.IsInf(f, 0) {
		return f
	}
	return 0
}

// Budget gives the budget of a value: of a column at a point, or, with point 0, of a result or a limit over all points of a part.
func (r *Report) Budget(point int, name, part string) (Budget, bool) {
	if point > 0 {
		part = ""
	}
	b, ok := r.budgets[budgetKey{point, name, part}]
	return b, ok
}

// origins knows where the error inputs of a record come from.
type origins struct {
	values map[string][]string // channel and quantity → measured columns
	known  []string            // channels and instruments, the longest first
	cache  map[string]origin
}

type origin struct {
	place, what string
	values      []string
}

func newOrigins(rec *record.Record) *origins {
	o := &origins{values: map[string][]string{}, cache: map[string]origin{}}
	seen := map[string]bool{}
	add := func(name string) {
		if name != "" && !seen[name] {
			seen[name] = true
			o.known = append(o.known, name)
		}
	}
	for _, c := range rec.Columns {
		if c.Kind == record.Measured && c.From != "" {
			instrument, _, _ := strings.Cut(c.From, ".")
			key := instrument + " " + c.Unit
			o.values[key] = append(o.values[key], c.Name)
			add(c.From)
			add(c.Node)
		}
	}
	for _, w := range rec.Wiring {
		add(w.Channel)
	}
	for _, in := range rec.Instruments {
		add(in.Name)
	}
	sort.SliceStable(o.known, func(i, j int) bool { return len(o.known[i]) > len(o.known[j]) })
	return o
}

// rangedInput is the name of an input of one range: "dmm-in ch1 volts 20 V gain".
var rangedInput = regexp.MustCompile(`^(\S+) ch(\d+) (volts|amps) (\S+ \S+) (.+)$`)

// of tells where a contributor comes from and puts what it is into words.
func (o *origins) of(c *Contributor) (place string, values []string) {
	got, ok := o.cache[c.Input]
	if !ok {
		got = o.find(c.Input)
		o.cache[c.Input] = got
	}
	c.What = got.what
	if c.Count > 1 {
		c.What += fmt.Sprintf(" of %d readings", c.Count)
	}
	return got.place, got.values
}

func (o *origins) find(input string) origin {
	if m := rangedInput.FindStringSubmatch(input); m != nil {
		unit := map[string]string{"volts": "V", "amps": "A"}[m[3]]
		place := m[1]
		if m[2] != "1" {
			place += " channel " + m[2]
		}
		return origin{place + ", " + m[4] + " range", inWords(m[5]), o.values[m[1]+" "+unit]}
	}
	for _, name := range o.known {
		if what, ok := strings.CutPrefix(input, name+" "); ok {
			return origin{name, what, nil}
		}
	}
	if strings.HasSuffix(input, "length of the recording") || strings.HasSuffix(input, "length of the recordings") {
		return origin{"the length of the recording", input, nil}
	}
	if what, ok := strings.CutSuffix(input, ", its samples"); ok {
		return origin{"the captured samples", what, nil}
	}
	if strings.HasPrefix(input, "skew of ") && strings.HasSuffix(input, " to its cause") {
		return origin{"the captured samples", input, nil}
	}
	return origin{"elsewhere", input, nil}
}

// inWords says what an input of a range is.
func inWords(what string) string {
	switch what {
	case "temperature gain":
		return "gain, away from the calibration temperature"
	case "temperature offset":
		return "offset, away from the calibration temperature"
	case "age gain":
		return "gain, since the calibration"
	case "age offset":
		return "offset, since the calibration"
	case "scatter":
		return "scatter between readings"
	}
	return what
}
