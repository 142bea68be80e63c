package instrument

import "math"

// Seed is the origin of all randomness of one bench.
type Seed uint64

// Key names one random number: what it belongs to. Two different keys give independent numbers, the same key and seed always
// the same number, whatever was drawn before.
type Key struct {
	Instrument string
	Channel    int
	What       string // "volts noise", "amps gain"
	Number     uint64 // sample or range number
}

// Uniform returns a number evenly spread over -1..1.
func (s Seed) Uniform(k Key) float64 { return 2*unit(s.mix(k, 1)) - 1 }

// Normal returns a number of the standard normal distribution (the method of Box and Muller).
func (s Seed) Normal(k Key) float64 {
	u, v := unit(s.mix(k, 2)), unit(s.mix(k, 3))
	return math.Sqrt(-2*math.Log(1-u)) * math.Cos(2*math.Pi*v)
}

// unit maps 64 random bits to 0 <= x < 1.
func unit(bits uint64) float64 { return float64(bits>>11) / (1 << 53) }

// mix hashes seed and key: FNV-1a over the words, each result finished by the splitmix64 mixer (both public domain).
func (s Seed) mix(k Key, stream uint64) uint64 {
	h := uint64(14695981039346656037)
	text := func(t string) {
		for i := range len(t) {
			h = (h ^ uint64(t[i])) * 1099511628211
		}
		h = (h ^ 0xff) * 1099511628211
	}
	text(k.Instrument)
	text(k.What)
	h = finish(h ^ uint64(s))
	h = finish(h ^ uint64(k.Channel)*0x9e3779b97f4a7c15)
	h = finish(h ^ k.Number*0xbf58476d1ce4e5b9)
	return finish(h + stream*0x9e3779b97f4a7c15)
}

func finish(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}
