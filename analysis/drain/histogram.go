package drain

// Above is a point of the complementary distribution: the fraction of time that the current is above Amps.
type Above struct{ Amps, Fraction float64 }

// Histogram is a distribution of samples.
type Histogram struct{}
