package record

// Fit is the law of a part as it was found from points: analysis/NAME.fit.json. NaN is null in the file. Numbers are SI.
type Fit struct {
	Name   string `json:"name"`
	Kind   string `json:"kind"` // "diode", "solar cell"...
	Law    string `json:"law"`  // its formula, in words
	X      string `json:"x"`    // column along the picture; of a leakage the time since the step
	XUnit  string `json:"x_unit"`
	Y      string `json:"y"`
	YUnit  string `json:"y_unit"`
	Per    string `json:"per,omitempty"` // column that tells one curve from another
	Unit   string `json:"per_unit,omitempty"`
	LogX   bool   `json:"log_x,omitempty"`
	LogY   bool   `json:"log_y,omitempty"`
	Method string `json:"method"` // what was made least, and what its uncertainty holds

	Parameters []FitParameter `json:"parameters"`
	Used       int            `json:"used"`
	Compliance int            `json:"in_compliance"` // left out: the source was at its limit
	Invalid    int            `json:"not_valid"`     // left out for another reason
	Outside    int            `json:"outside"`       // left out: the law says nothing there
	Points     []FitPoint     `json:"points"`        // at most 2000 of each kind
	Curves     []FitCurve     `json:"curves"`
	Notes      []string       `json:"notes"`
	Why        string         `json:"why,omitempty"` // why there is no fit
}

// FitParameter is one parameter.
type FitParameter struct {
	What    string  `json:"what"`           // "ideality"
	About   string  `json:"about"`          // in words
	Name    string  `json:"name,omitempty"` // in the sequence; empty: it was not asked for
	Unit    string  `json:"unit"`
	Value   float64 `json:"value"`
	U       float64 `json:"u"` // expanded, k = 2
	Biggest string  `json:"biggest,omitempty"`
}

// FitPoint is a point that the fit looked at.
type FitPoint struct {
	X    float64 `json:"x"`
	Y    float64 `json:"y"`
	U    float64 `json:"u"` // expanded, of Y
	Per  float64 `json:"per"`
	Left string  `json:"left,omitempty"` // why it was left out; empty: it was used
}

// FitCurve is the law with the parameters found.
type FitCurve struct {
	Per float64   `json:"per"`
	X   []float64 `json:"x"`
	Y   []float64 `json:"y"`
}

// FitFile is where a fit is kept in a record.
func FitFile(name string) string { return AnalysisFolder + "/" + name + ".fit.json" }
