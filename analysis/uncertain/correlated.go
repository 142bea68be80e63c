package uncertain

import (
	"fmt"

	"gonum.org/v1/gonum/mat"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Correlated makes values with a given covariance matrix (in their SI units) out of independent inputs, so that their
// correlation takes part in every later propagation. Each value gets a share of as many inputs as there are values; dof are
// the degrees of freedom of all of them. The matrix must be positive definite.
func Correlated(ledger *measured.Ledger, name string, estimates []quantity.Quantity, covariance [][]float64, dof float64) ([]measured.Value, error) {
	n := len(estimates)
	symmetric := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			symmetric.SetSym(i, j, covariance[i][j])
		}
	}
	var factor mat.Cholesky
	if !factor.Factorize(symmetric) {
		return nil, fmt.Errorf("%s: the covariances contradict each other: the matrix is not positive definite", name)
	}
	var lower mat.TriDense
	factor.LTo(&lower)
	inputs := make([]measured.ID, n)
	for i := range inputs {
		inputs[i] = ledger.Own(measured.Input{Name: fmt.Sprintf("%s %d", name, i+1), Kind: measured.Noise, DOF: dof})
	}
	values := make([]measured.Value, n)
	for i, q := range estimates {
		terms := make([]measured.Term, 0, i+1)
		for j := 0; j <= i; j++ {
			terms = append(terms, measured.Term{Input: inputs[j], Part: lower.At(i, j)})
		}
		values[i] = measured.New(q, terms...)
	}
	return values, nil
}
