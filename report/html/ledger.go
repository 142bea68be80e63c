package html

import (
	_ "embed"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"fourwire/internal/ledger"
	"fourwire/report"
)

//go:embed ledger.tmpl
var ledgerText string

//go:embed ledger.css
var ledgerStyle string

// spentColours are the colours of the kinds of time, by the name of their class, on light and dark grounds: blue the wire and the instruments, orange outputs,
// yellow the device, purple what somebody decided or another site does, green measuring, grey the program. From the set that M. Okabe and K. Ito proposed for readers with any colour
// vision, with lighter and darker neighbours.
var spentColours = [...]struct{ kind, light, dark string }{
	{string(ledger.Transfer), "#7fb8d8", "#a9d8f5"},
	{string(ledger.Processing), "#0072b2", "#56b4e9"},
	{string(ledger.OutputUp), "#c24e00", "#f0a030"},
	{string(ledger.OutputDown), "#e69a63", "#b8702a"},
	{string(ledger.Settle), "#e6c200", "#e6d84a"},
	{string(ledger.FixedWait), "#a8487f", "#e29ac4"},
	{string(ledger.Aperture), "#00815e", "#2fc79b"},
	{string(ledger.Range), "#6cc0a4", "#1d7f63"},
	{string(ledger.ReadBack), "#b5dccf", "#9fe3cd"},
	{string(ledger.InUse), "#d4b9da", "#7a5c8a"},
	{string(ledger.Host), "#4a4a4a", "#d0d0d0"},
	{string(ledger.Operator), "#a9a9a9", "#808890"},
}

// spentStyle sets the colours of the kinds of time.
func spentStyle() template.CSS {
	var light, dark strings.Builder
	for i, c := range spentColours {
		fmt.Fprintf(&light, ".t%d{fill:%s}", i+1, c.light)
		fmt.Fprintf(&dark, ".t%d{fill:%s}", i+1, c.dark)
	}
	return template.CSS(light.String() + ".t0{fill:#c8ced4}@media screen and (prefers-color-scheme:dark){" + dark.String() + ".t0{fill:#4a525b}}")
}

// spentClass is the class of a kind of time; "t0" for one that this version does not know.
func spentClass(k ledger.Kind) string {
	i := slices.IndexFunc(spentColours[:], func(c struct{ kind, light, dark string }) bool { return c.kind == string(k) })
	return fmt.Sprintf("t%d", i+1)
}

// spentView is where the time went, with its pictures.
type spentView struct {
	*report.Spent
	Bar       template.HTML
	Lanes     []lane
	Predicted bool
}

// lane is the time at one step.
type lane struct {
	report.SpentStep
	Bar template.HTML
}

func newSpent(s *report.Spent) *spentView {
	if s == nil || len(s.Kinds) == 0 {
		return nil
	}
	v := &spentView{Spent: s, Bar: spentBar(s.Kinds, s.WallSeconds, "bar of the whole run by kind of time"), Predicted: !math.IsNaN(s.PredictedSeconds())}
	longest := 0.0
	for _, x := range s.Steps {
		longest = max(longest, x.Seconds)
	}
	for _, x := range s.Steps {
		v.Lanes = append(v.Lanes, lane{x, spentBar(x.Kinds, longest, "bar of this step by kind of time")})
	}
	return v
}

// spentBar draws kinds of time side by side; whole is the time of its full width.
func spentBar(kinds []report.SpentKind, whole float64, label string) template.HTML {
	const width, height = 1000.0, 20.0
	if !(whole > 0) {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="spent" viewBox="0 0 %g %g" preserveAspectRatio="none" role="img" aria-label="%s">`, width, height, label)
	x := 0.0
	for _, k := range kinds {
		w := width * k.Seconds / whole
		if w <= 0 || x >= width {
			continue
		}
		w = min(w, width-x)
		fmt.Fprintf(&b, `<rect class="%s" x="%.2f" y="0" width="%.2f" height="%g"><title>%s: %s</title></rect>`, spentClass(k.Kind), x, w, height,
			template.HTMLEscapeString(string(k.Kind)), report.SpentText(k.Seconds))
		x += w
	}
	b.WriteString("</svg>")
	return template.HTML(b.String()) // texts are escaped above
}

func predictedText(seconds float64) string {
	if math.IsNaN(seconds) {
		return "–"
	}
	return report.SpentText(seconds)
}
