package lsq

import "math"

// Cholesky replaces a symmetric matrix (row by row) by its lower factor L with
// a = L L'. The part above the diagonal is left alone. It reports false, with
// the matrix spoilt, when the matrix is not positive definite.
func Cholesky(a []float64, n int) bool {
	for j := range n {
		for i := j; i < n; i++ {
			sum := a[i*n+j]
			for k := range j {
				sum -= a[i*n+k] * a[j*n+k]
			}
			if i > j {
				a[i*n+j] = sum / a[j*n+j]
				continue
			}
			if !(sum > 0) || math.IsInf(sum, 1) {
				return false
			}
			a[j*n+j] = math.Sqrt(sum)
		}
	}
	return true
}

// SolveCholesky replaces b by the solution of L L' x = b.
func SolveCholesky(l []float64, n int, b []float64) {
	for i := range n {
		for k := range i {
			b[i] -= l[i*n+k] * b[k]
		}
		b[i] /= l[i*n+i]
	}
	BackSolve(l, n, b)
}

// BackSolve replaces b by the solution of L' x = b. With b standard normal the
// result has the covariance of the inverse of L L'.
func BackSolve(l []float64, n int, b []float64) {
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			b[i] -= l[k*n+i] * b[k]
		}
		b[i] /= l[i*n+i]
	}
}

// InverseFromCholesky fills dst with the inverse of L L'.
func InverseFromCholesky(l []float64, n int, dst []float64) {
	var col [MaxParams]float64
	for j := range n {
		clear(col[:n])
		col[j] = 1
		SolveCholesky(l, n, col[:n])
		for i := range n {
			dst[i*n+j] = col[i]
		}
	}
}
