package component

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"fourwire/analysis/uncertain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Problem is a nonlinear least-squares problem.
type Problem struct {
	// Residuals fills one number for each observation: model less observed, divided by the observation's standard uncertainty
	// where that is known. A parameter outside the domain of the model may give NaN: the step is then made smaller.
	Residuals    func(parameters, residuals []float64)
	Observations int
	Start        []float64
	Scale        []float64 // typical sizes of the parameters, for steps about zero; nil: those of Start, 1 where it is 0
	// Weighted says that residuals are in units of standard uncertainties: the covariance then is that of these, enlarged where
	// the residuals are larger than chance allows, and never made smaller.
	Weighted bool
	// Spread fills by how much more each residual scatters than an observation does; nil: all alike. It goes into the covariance
	// only, for residuals that are made least without regard to it.
	Spread func(parameters, spread []float64)
}

// Fit is the minimum of a problem.
type Fit struct {
	Parameters []float64
	Std        []float64   // standard uncertainties
	Covariance [][]float64 //
	RSS        float64     // sum of the squared residuals
	ResidualSD float64     // with n - p
	DOF        int
	Steps      int
	// Known says that Std comes from uncertainties that were stated, and not from the scatter of the residuals.
	Known bool
}

// ErrNoMinimum is returned where the search does not come to rest.
var ErrNoMinimum = errors.New("the fit does not converge: start nearer, or measure where the parameters show")

const mostSteps = 2000

// Solve finds a minimum by the method of Levenberg and Marquardt: QR factorisation of the Jacobian with a damping in proportion
// to its columns, central differences for derivatives (J. More, The Levenberg-Marquardt algorithm, 1978; from memory).
func Solve(p Problem) (Fit, error) {
	n, m := p.Observations, len(p.Start)
	if m == 0 || n < m {
		return Fit{}, fmt.Errorf("%d observations cannot give %d parameters; measure more points", n, m)
	}
	s := search{Problem: p, at: append([]float64(nil), p.Start...), residuals: make([]float64, n), trial: make([]float64, n), norms: make([]float64, m)}
	p.Residuals(s.at, s.residuals)
	s.rss = squares(s.residuals)
	if math.IsNaN(s.rss) || math.IsInf(s.rss, 0) {
		return Fit{}, errors.New("the model has no value at the start of the fit")
	}
	steps, err := s.run()
	if err != nil {
		return Fit{}, err
	}
	return s.fit(steps)
}

type search struct {
	Problem
	at               []float64
	residuals, trial []float64
	rss              float64
	norms            []float64 // greatest norm of each column so far
	jacobian         *mat.Dense
}

func squares(r []float64) float64 {
	var sum uncertain.Sum
	for _, x := range r {
		sum.Add(x * x)
	}
	return sum.Value()
}

// size is what a step of a parameter is measured by.
func (s *search) size(j int) float64 {
	size := math.Abs(s.at[j])
	switch {
	case s.Scale != nil:
		size = max(size, math.Abs(s.Scale[j]))
	case size == 0 && s.Start[j] != 0:
		size = math.Abs(s.Start[j])
	}
	if size == 0 {
		size = 1
	}
	return size
}

// differentiate takes central differences of fourth order; a side that has no value is done without.
func (s *search) differentiate() bool {
	n, m := len(s.residuals), len(s.at)
	if s.jacobian == nil {
		s.jacobian = mat.NewDense(n, m, nil)
	}
	near, far := make([]float64, n), make([]float64, n)
	column := make([]float64, n)
	for j := range m {
		x, h := s.at[j], 1e-3*s.size(j)*0.1
		difference := func(h float64, into []float64) {
			s.at[j] = x + h
			up := s.at[j]
			s.Residuals(s.at, into)
			s.at[j] = x - h
			down := s.at[j]
			s.Residuals(s.at, s.trial)
			for i := range into {
				into[i] = (into[i] - s.trial[i]) / (up - down)
			}
		}
		difference(h, near)
		difference(2*h, far)
		s.at[j] = x
		for i := range column {
			if column[i] = (4*near[i] - far[i]) / 3; math.IsNaN(column[i]) {
				column[i] = near[i]
			}
			if math.IsNaN(column[i]) || math.IsInf(column[i], 0) {
				return false
			}
		}
		s.jacobian.SetCol(j, column)
		s.norms[j] = max(s.norms[j], mat.Norm(s.jacobian.ColView(j), 2))
	}
	return true
}

// run goes downhill until neither the sum nor the parameters move.
func (s *search) run() (int, error) {
	n, m := len(s.residuals), len(s.at)
	damping, grow := 1e-3, 2.0
	next := make([]float64, m)
	still := 0
	for step := 1; step <= mostSteps; step++ {
		if !s.differentiate() {
			return step, errors.New("the model has no derivative where the fit has come to; start nearer")
		}
		for {
			augmented := mat.NewDense(n+m, m, nil)
			right := mat.NewVecDense(n+m, nil)
			for j := range m {
				scale := s.columnScale(j)
				for i := range n {
					augmented.Set(i, j, s.jacobian.At(i, j)/scale)
				}
				augmented.Set(n+j, j, math.Sqrt(damping))
			}
			for i, r := range s.residuals {
				right.SetVec(i, -r)
			}
			var qr mat.QR
			qr.Factorize(augmented)
			var move mat.VecDense
			if err := qr.SolveVecTo(&move, false, right); err != nil {
				if _, near := err.(mat.Condition); !near {
					return step, err
				}
			}
			moved := 0.0
			for j := range m {
				d := move.AtVec(j) / s.columnScale(j)
				next[j] = s.at[j] + d
				moved = max(moved, math.Abs(d)/s.size(j))
			}
			s.Residuals(next, s.trial)
			rss := squares(s.trial)
			if rss < s.rss {
				gain := (s.rss - rss) / max(s.rss, math.SmallestNonzeroFloat64)
				copy(s.at, next)
				s.rss = rss
				s.residuals, s.trial = s.trial, s.residuals
				damping, grow = max(damping/5, 1e-18), 2
				if gain < 1e-13 || moved < 1e-13 {
					still++
				} else {
					still = 0
				}
				break
			}
			if moved < 1e-12 || s.rss == 0 {
				return step, nil
			}
			damping, grow = damping*grow, min(grow*2, 1e3)
			if damping > 1e30 {
				return step, nil
			}
		}
		if still >= 3 || s.rss == 0 {
			return step, nil
		}
	}
	return mostSteps, ErrNoMinimum
}

func (s *search) columnScale(j int) float64 {
	if s.norms[j] == 0 {
		return 1
	}
	return s.norms[j]
}

// fit adds the covariance: s^2 (J'J)^-1 by the triangular factor.
func (s *search) fit(steps int) (Fit, error) {
	n, m := len(s.residuals), len(s.at)
	f := Fit{Parameters: s.at, RSS: s.rss, DOF: n - m, Steps: steps, Std: make([]float64, m), Covariance: make([][]float64, m)}
	variance := 1.0
	if f.DOF > 0 {
		f.ResidualSD = math.Sqrt(f.RSS / float64(f.DOF))
		variance = f.RSS / float64(f.DOF)
		if s.Weighted && variance <= 1+2*math.Sqrt(2/float64(f.DOF)) { // within two standard deviations of chi-squared
			f.Known, variance = true, 1
		}
	} else if f.Known = s.Weighted; !f.Known {
		variance = 0
	}
	if !s.differentiate() {
		return Fit{}, ErrNoMinimum
	}
	scaled := mat.NewDense(n, m, nil)
	scales := make([]float64, m)
	for j := range m {
		scales[j] = mat.Norm(s.jacobian.ColView(j), 2)
		if scales[j] == 0 {
			return Fit{}, fmt.Errorf("parameter %d does not show in the points: measure where it matters", j+1)
		}
		for i := range n {
			scaled.Set(i, j, s.jacobian.At(i, j)/scales[j])
		}
	}
	var qr mat.QR
	qr.Factorize(scaled)
	if c := qr.Cond(); !(c < 1e13) {
		return Fit{}, fmt.Errorf("the parameters cannot be told apart by these points (condition %.1e): measure over a wider range", c)
	}
	var r mat.Dense
	qr.RTo(&r)
	triangle := mat.NewTriDense(m, mat.Upper, nil)
	for i := range m {
		for j := i; j < m; j++ {
			triangle.SetTri(i, j, r.At(i, j))
		}
	}
	inverse := mat.NewTriDense(m, mat.Upper, nil)
	_ = inverse.InverseTri(triangle) // the condition was judged before
	middle := s.spreads(&qr, &f, &variance)
	for i := range m {
		f.Covariance[i] = make([]float64, m)
		for j := range m {
			for k := i; k < m; k++ {
				for l := j; l < m; l++ {
					f.Covariance[i][j] += inverse.At(i, k) * middle.At(k, l) * inverse.At(j, l)
				}
			}
			f.Covariance[i][j] *= variance / (scales[i] * scales[j])
		}
		f.Std[i] = math.Sqrt(f.Covariance[i][i])
	}
	return f, nil
}

// spreads is what stands between the two inverse triangles of the covariance: Q' G^2 Q with the spreads G, the identity where all are alike. With
// spreads the variance is that of the observations.
func (s *search) spreads(qr *mat.QR, f *Fit, variance *float64) mat.Matrix {
	n, m := len(s.residuals), len(s.at)
	if s.Spread == nil {
		one := mat.NewDiagDense(m, nil)
		for j := range m {
			one.SetDiag(j, 1)
		}
		return one
	}
	g := make([]float64, n)
	s.Spread(s.at, g)
	var q mat.Dense
	qr.QTo(&q)
	out := mat.NewDense(m, m, nil)
	for k := range m {
		for l := range m {
			var sum float64
			for i := range n {
				sum += q.At(i, k) * g[i] * g[i] * q.At(i, l)
			}
			out.Set(k, l, sum)
		}
	}
	// of the residuals (1 - Q Q') e, the variance counts where e has that of g
	if !f.Known && f.DOF > 0 {
		var expected float64
		for i := range n {
			expected += g[i] * g[i]
		}
		expected -= mat.Trace(out)
		*variance = f.RSS / expected
	}
	return out
}

// Expanded is the expanded uncertainty of a parameter for about 95 %, with Student's t for the degrees of freedom where the
// uncertainties of the observations were not known.
func (f Fit) Expanded(parameter int) float64 {
	return f.Std[parameter] * f.factor()
}

func (f Fit) factor() float64 {
	if f.DOF < 1 || f.Known {
		return 2
	}
	return uncertain.Factor(uncertain.Coverage95, float64(f.DOF))
}

// Values enters the parameters in a ledger with their correlation.
func (f Fit) Values(ledger *measured.Ledger, name string, dims ...quantity.Dimension) ([]measured.Value, error) {
	if len(dims) != len(f.Parameters) {
		return nil, fmt.Errorf("%s: %d dimensions for %d parameters", name, len(dims), len(f.Parameters))
	}
	estimates := make([]quantity.Quantity, len(dims))
	for i, d := range dims {
		estimates[i] = quantity.Of(f.Parameters[i], d)
	}
	dof := float64(max(0, f.DOF))
	if f.Known {
		dof = 0
	}
	return uncertain.Correlated(ledger, name, estimates, f.Covariance, dof)
}

// Parameter is a parameter with its expanded uncertainty.
type Parameter struct {
	X float64
	U float64 // about 95 %
}

func (f Fit) parameter(i int) Parameter { return Parameter{f.Parameters[i], f.Expanded(i)} }

// exponential turns a parameter that was fitted as a logarithm back; U reaches to the farther end of the interval.
func (p Parameter) exponential() Parameter {
	x := math.Exp(p.X)
	return Parameter{x, x * math.Expm1(p.U)}
}
