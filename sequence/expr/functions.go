package expr

import "sort"

// function is one function of the language.
type function struct {
	least, most int    // arguments; most -1: any number
	use         string // how it is called, for messages
	column      bool   // looks at whole columns: its first arguments are columns
}

// functions are all that can be called. min and max are special: with one argument they look at a column.
var functions = map[string]function{
	"abs":       {1, 1, "abs(x)", false},
	"sqrt":      {1, 1, "sqrt(x)", false},
	"exp":       {1, 1, "exp(x)", false},
	"ln":        {1, 1, "ln(x)", false},
	"log10":     {1, 1, "log10(x)", false},
	"round":     {2, 2, "round(x, step)", false},
	"min":       {1, -1, "min(x, y, ...)", false},
	"max":       {1, -1, "max(x, y, ...)", false},
	"mean":      {1, 1, "mean(column)", true},
	"span":      {1, 1, "span(column)", true},
	"first":     {1, 1, "first(column)", true},
	"last":      {1, 1, "last(column)", true},
	"count":     {1, 1, "count(column)", true},
	"at":        {3, 3, "at(y, x, x0)", true},
	"crossing":  {3, 3, "crossing(x, y, level)", true},
	"where_max": {2, 2, "where_max(y, x)", true},
	"where_min": {2, 2, "where_min(y, x)", true},
	"slope":     {2, 2, "slope(y, x)", true},

	"line_regulation": {2, 3, "line_regulation(vi, vo, nominal)", true},
	"load_regulation": {2, 3, "load_regulation(io, vo, nominal)", true},
	"peak":            {2, 2, "peak(y, x)", true},
	"peak_at":         {2, 2, "peak_at(y, x)", true},
	"mode_change":     {2, 3, "mode_change(x, y, number)", true},
	"rises_at":        {3, 3, "rises_at(x, y, level)", true},
	"falls_at":        {3, 3, "falls_at(x, y, level)", true},
	"hysteresis_at":   {3, 3, "hysteresis_at(x, y, level)", true},
	"minimum_input":   {4, 4, "minimum_input(vi, vo, reference, loss)", true},
	"dropout_voltage": {4, 4, "dropout_voltage(vi, vo, reference, loss)", true},
	"average_at":      {4, -1, "average_at(y, x, full, part, ...)", true},
	"drift_of":        {2, 2, "drift_of(y, x)", true},
}

// arity tells whether a call has as many arguments as its function takes.
func (n *node) arity() bool {
	f := functions[n.name]
	return len(n.args) >= f.least && (f.most < 0 || len(n.args) <= f.most)
}

// columns is the number of arguments that must be columns.
func (n *node) columns() int {
	switch f := functions[n.name]; {
	case f.column:
		return min(2, len(n.args))
	case (n.name == "min" || n.name == "max") && len(n.args) == 1:
		return 1
	}
	return 0
}

// functionNames lists all functions, v and i included, in alphabetical order.
func functionNames() []string {
	names := []string{"v", "i"}
	for name := range functions {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}
