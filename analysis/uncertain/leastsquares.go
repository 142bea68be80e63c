package uncertain

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Line fits and their like: y = sum of coefficient times column.

// Fit is a least-squares fit.
type Fit struct {
	Coefficients []float64
	Std          []float64   // standard uncertainties of the coefficients
	Covariance   [][]float64 //
	ResidualSD   float64     // with n-p
	R2           float64     // about the mean where there is an intercept, else about zero
	DOF          int
}

// LeastSquares fits y to the columns of a design matrix, one slice per observation. Columns are scaled before the QR
// factorisation, so that powers of a variable may stand side by side. intercept says that the first column is all ones.
func LeastSquares(rows [][]float64, y []float64, intercept bool) (Fit, error) {
	n := len(rows)
	if n == 0 || n != len(y) {
		return Fit{}, fmt.Errorf("%d observations with %d results", n, len(y))
	}
	p := len(rows[0])
	if n < p {
		return Fit{}, fmt.Errorf("%d observations cannot give %d coefficients", n, p)
	}
	scale := make([]float64, p)
	design := mat.NewDense(n, p, nil)
	for j := range p {
		for i := range n {
			scale[j] = max(scale[j], math.Abs(rows[i][j]))
		}
		if scale[j] == 0 {
			return Fit{}, fmt.Errorf("column %d is all zeros", j+1)
		}
		for i := range n {
			design.Set(i, j, rows[i][j]/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(design)
	if qr.Cond() > 1e17 {
		return Fit{}, fmt.Errorf("the columns cannot be told apart (condition %.1e)", qr.Cond())
	}
	var solved mat.VecDense
	if err := qr.SolveVecTo(&solved, false, mat.NewVecDense(n, append([]float64(nil), y...))); err != nil {
		if _, near := err.(mat.Condition); !near {
			return Fit{}, err
		}
	}
	f := Fit{Coefficients: make([]float64, p), Std: make([]float64, p), Covariance: make([][]float64, p), DOF: n - p}
	for j := range p {
		f.Coefficients[j] = solved.AtVec(j) / scale[j]
	}
	f.residuals(rows, y, intercept)
	f.covariance(&qr, scale)
	return f, nil
}

func (f *Fit) residuals(rows [][]float64, y []float64, intercept bool) {
	var mean float64
	if intercept {
		mean = Describe(y).Mean
	}
	var residual, total Sum
	for i, row := range rows {
		var fitted Sum
		for j, x := range row {
			fitted.Add(f.Coefficients[j] * x)
		}
		r := y[i] - fitted.Value()
		residual.Add(r * r)
		total.Add((y[i] - mean) * (y[i] - mean))
	}
	f.R2 = 1 - residual.Value()/total.Value()
	if f.DOF > 0 {
		f.ResidualSD = math.Sqrt(residual.Value() / float64(f.DOF))
	}
}

// covariance is s^2 (R'R)^-1, by the inverse of the triangular factor.
func (f *Fit) covariance(qr *mat.QR, scale []float64) {
	p := len(scale)
	var r mat.Dense
	qr.RTo(&r)
	triangle := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			triangle.SetTri(i, j, r.At(i, j))
		}
	}
	inverse := mat.NewTriDense(p, mat.Upper, nil)
	_ = inverse.InverseTri(triangle) // a bad condition was judged before
	for i := range p {
		f.Covariance[i] = make([]float64, p)
		for j := range p {
			var sum Sum
			for k := max(i, j); k < p; k++ {
				sum.Add(inverse.At(i, k) * inverse.At(j, k))
			}
			f.Covariance[i][j] = f.ResidualSD * f.ResidualSD * sum.Value() / (scale[i] * scale[j])
		}
		f.Std[i] = math.Sqrt(f.Covariance[i][i])
	}
}
