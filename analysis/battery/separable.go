package battery

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// errAlike says that two columns of a design cannot be told apart.
var errAlike = errors.New("the figures cannot be told apart")

// gridPerDecade is how many time constants are tried in each decade.
const gridPerDecade = 5

// columns gives the derivatives of the voltage by V0, R0, (slope), R1..., and where linear is not nil by ln tau1...
func (p *problem) columns(taus, linear []float64) [][]float64 {
	n := len(p.r.Seconds)
	out := append([][]float64(nil), p.base...)
	var slopes [][]float64
	for k, tau := range taus {
		u := make([]float64, n)
		var du []float64
		if linear != nil {
			du = make([]float64, n)
		}
		response(p.r, p.edges, tau, u, du)
		negate(u, 1)
		out = append(out, u[p.from:p.to])
		if linear != nil {
			negate(du, linear[len(p.base)+k])
			slopes = append(slopes, du[p.from:p.to])
		}
	}
	return append(out, slopes...)
}

func negate(x []float64, factor float64) {
	for i := range x {
		x[i] *= -factor
	}
}

// gram is the matrix of weighted products of columns, and of each with y.
func (p *problem) gram(columns [][]float64, y []float64) (a *mat.SymDense, b []float64) {
	m := len(columns)
	a, b = mat.NewSymDense(m, nil), make([]float64, m)
	weighted := make([]float64, len(y))
	for i := range m {
		for k, x := range columns[i] {
			weighted[k] = x * p.root[k] * p.root[k]
		}
		for j := i; j < m; j++ {
			sum := 0.0
			for k, x := range columns[j] {
				sum += weighted[k] * x
			}
			a.SetSym(i, j, sum)
		}
		for k, v := range y {
			b[i] += weighted[k] * v
		}
	}
	return a, b
}

// normal solves a x = b for a symmetric positive matrix, scaled to a diagonal of ones.
func normal(a *mat.SymDense, b []float64) ([]float64, error) {
	m := len(b)
	scaled, right := mat.NewSymDense(m, nil), mat.NewVecDense(m, nil)
	root := make([]float64, m)
	for i := range m {
		if root[i] = math.Sqrt(a.At(i, i)); !(root[i] > 0) {
			return nil, errAlike
		}
	}
	for i := range m {
		for j := i; j < m; j++ {
			scaled.SetSym(i, j, a.At(i, j)/(root[i]*root[j]))
		}
		right.SetVec(i, b[i]/root[i])
	}
	var c mat.Cholesky
	if !c.Factorize(scaled) || c.Cond() > 1e15 {
		return nil, errAlike
	}
	var x mat.VecDense
	if err := c.SolveVecTo(&x, right); err != nil {
		if _, near := err.(mat.Condition); !near {
			return nil, err
		}
	}
	out := make([]float64, m)
	for i := range out {
		out[i] = x.AtVec(i) / root[i]
	}
	return out, nil
}

// centre is the weighted mean of y, taken off before products are formed: the digits of a voltage that hardly moves.
func (p *problem) centre() (y []float64, mean float64) {
	var sum, weight float64
	for i, v := range p.y {
		w := p.root[i] * p.root[i]
		sum, weight = sum+w*v, weight+w
	}
	mean = sum / weight
	y = make([]float64, len(p.y))
	for i, v := range p.y {
		y[i] = v - mean
	}
	return y, mean
}

// at solves the linear figures for given time constants.
func (p *problem) at(taus []float64) (pulseSolution, error) {
	s := pulseSolution{taus: taus}
	columns := p.columns(taus, nil)
	y, mean := p.centre()
	a, b := p.gram(columns, y)
	x, err := normal(a, b)
	if err != nil {
		return s, err
	}
	s.residual = y
	for j, c := range columns {
		for i, v := range c {
			s.residual[i] -= x[j] * v
		}
	}
	for i, e := range s.residual {
		s.squares += e * e * p.root[i] * p.root[i]
	}
	x[0] += mean
	s.linear = x
	return s, nil
}

// grid gives the combination of time constants that explains most with positive resistances; where none has those, the
// best of all.
func (p *problem) grid(pairs int) []float64 {
	// the shortest that a sample can still resolve, the longest that still bends over the record
	low, high := max(p.shortest/2, p.first), 3*p.longest
	var taus []float64
	for k := 0; ; k++ {
		tau := low * math.Pow(10, float64(k)/gridPerDecade)
		if tau > high || len(taus) == 64 {
			break
		}
		taus = append(taus, tau)
	}
	columns := p.columns(taus, nil)
	y, _ := p.centre()
	a, b := p.gram(columns, y)
	base := len(p.base)
	best, bestAny := math.Inf(-1), math.Inf(-1)
	var found, any []float64
	try := func(chosen []int) {
		m := base + pairs
		index := make([]int, m)
		for j := range m {
			index[j] = j
			if j >= base {
				index[j] = base + chosen[j-base]
			}
		}
		sub, right := mat.NewSymDense(m, nil), make([]float64, m)
		for i := range m {
			for j := i; j < m; j++ {
				sub.SetSym(i, j, a.At(index[i], index[j]))
			}
			right[i] = b[index[i]]
		}
		x, err := normal(sub, right)
		if err != nil {
			return
		}
		explained, positive := 0.0, true
		for i := range m {
			explained += x[i] * right[i]
			positive = positive && (i == 0 || i >= 2 && i < base || x[i] > 0)
		}
		these := func() []float64 {
			out := make([]float64, pairs)
			for i, c := range chosen {
				out[i] = taus[c]
			}
			return out
		}
		if positive && explained > best {
			best, found = explained, these()
		}
		if explained > bestAny {
			bestAny, any = explained, these()
		}
	}
	combinations(len(taus), pairs, try)
	if found == nil {
		return any
	}
	return found
}

// combinations calls with every choice of k of n things.
func combinations(n, k int, with func([]int)) {
	chosen := make([]int, k)
	var choose func(at, from int)
	choose = func(at, from int) {
		if at == k {
			with(chosen)
			return
		}
		for i := from; i < n; i++ {
			chosen[at] = i
			choose(at+1, i+1)
		}
	}
	choose(0, 0)
}

// refine improves the time constants by Gauss-Newton steps on everything at once, each shortened until it helps.
func (p *problem) refine(s pulseSolution) pulseSolution {
	base := len(p.base)
	for range 60 {
		a, b := p.gram(p.columns(s.taus, s.linear), s.residual)
		step, err := normal(a, b)
		if err != nil {
			return s
		}
		moved := 0.0
		improved := false
		for factor := 1.0; factor > 1e-4; factor /= 3 {
			taus := make([]float64, len(s.taus))
			moved = 0
			for k := range taus {
				d := factor * max(-1, min(1, step[base+len(taus)+k]))
				moved = max(moved, math.Abs(d))
				taus[k] = s.taus[k] * math.Exp(d)
			}
			next, err := p.at(taus)
			if err == nil && next.squares <= s.squares {
				s, improved = next, true
				break
			}
		}
		if !improved || moved < 1e-9 {
			return s
		}
	}
	return s
}
