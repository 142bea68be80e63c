package chart

// Style tells lines apart by three things at once: colour, dashes and the form of the marks.
type Style struct {
	Light, Dark string // colour on a light and on a dark ground, #rrggbb
	Dash        string // SVG dash array; empty for a solid line
	Mark        string // circle, square, triangle, diamond, cross, star
	Number      int    // from 1; names the colour in style sheets
}

// styles take their colours from the set that M. Okabe and K. Ito proposed for readers with any colour vision ("Color
// Universal Design", 2008), darkened on light grounds and lightened on dark ones where the contrast would be too small.
var styles = [...]Style{
	{"#0072b2", "#56b4e9", "", "circle", 1},
	{"#c24e00", "#f0a030", "8 4", "square", 2},
	{"#00815e", "#2fc79b", "2 3", "triangle", 3},
	{"#a8487f", "#e29ac4", "10 3 2 3", "diamond", 4},
	{"#4a4a4a", "#d0d0d0", "5 3", "cross", 5},
	{"#8a6d00", "#e6d84a", "14 4", "star", 6},
}

// StyleOf is the style of the n-th line, from 0; after the last it starts again.
func StyleOf(n int) Style { return styles[n%len(styles)] }

// Styles gives all styles in order.
func Styles() []Style { return append([]Style(nil), styles[:]...) }
