package circuit

import "math"

// solveStep factors the Jacobian, with the stiffness of each node times damping added to its diagonal, and leaves the
// Newton step in w.step. It returns the sign of the determinant. A vanishing pivot belongs to a floating node and is
// replaced by the gmin conductance.
func (w *work) solveStep(damping float64) (sign int) {
	size := w.size
	a, b := w.lu, w.step
	copy(a, w.jacobian)
	for i := range b {
		b[i] = -w.residual[i]
		a[i*size+i] += damping * w.stiff[i]
	}
	sign = 1
	for k := range size {
		best, at := math.Abs(a[k*size+k]), k
		for i := k + 1; i < size; i++ {
			if x := math.Abs(a[i*size+k]); x > best {
				best, at = x, i
			}
		}
		switch {
		case best < max(GminSiemens/2, 4*machineEpsilon*w.stiff[k]):
			a[k*size+k] = GminSiemens
		case at != k:
			top, low := a[k*size:(k+1)*size], a[at*size:(at+1)*size]
			for j := range top {
				top[j], low[j] = low[j], top[j]
			}
			b[k], b[at] = b[at], b[k]
			sign = -sign
		}
		row := a[k*size : (k+1)*size]
		pivot := row[k]
		if pivot < 0 {
			sign = -sign
		}
		for i := k + 1; i < size; i++ {
			other := a[i*size : (i+1)*size]
			factor := other[k] / pivot
			if factor == 0 {
				continue
			}
			for j := k + 1; j < size; j++ {
				other[j] -= factor * row[j]
			}
			b[i] -= factor * b[k]
		}
	}
	for k := size - 1; k >= 0; k-- {
		row := a[k*size : (k+1)*size]
		sum := b[k]
		for j := k + 1; j < size; j++ {
			sum -= row[j] * b[j]
		}
		b[k] = sum / row[k]
	}
	return sign
}
