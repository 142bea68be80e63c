package quantity

// Numbers whose unit is fixed by their type, for package borders where the dimension is never in doubt.
type (
	Volt   float64
	Amp    float64
	Ohm    float64
	Watt   float64
	Second float64
)

func (v Volt) String() string   { return Quantity{float64(v), Voltage}.String() }
func (a Amp) String() string    { return Quantity{float64(a), Current}.String() }
func (r Ohm) String() string    { return Quantity{float64(r), Resistance}.String() }
func (p Watt) String() string   { return Quantity{float64(p), Power}.String() }
func (t Second) String() string { return Quantity{float64(t), Time}.String() }
