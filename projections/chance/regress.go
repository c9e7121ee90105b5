package chance

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Fit is what a regression found.
type Fit struct {
	Coef       []float64
	Cov        [][]float64 // of the coefficients
	Chi2       float64     // sum of squared residuals in units of their covariance
	LogDet     float64     // of the covariance of what was observed
	Condition  float64     // of the design: 1 and above
	N          int
	Parameters int
}

// BIC is G. Schwarz's criterion (Estimating the dimension of a model, Ann. Statist. 6 (1978), 461–464) up to a constant: χ² + log det + parameters·ln n. The smaller one
// is the better model.
func (f Fit) BIC() float64 {
	return f.Chi2 + f.LogDet + float64(float64(f.Parameters)*math.Log(float64(f.N)))
}

// ErrDesign is returned where the observations can't tell the coefficients apart, or are fewer than they are.
var ErrDesign = errors.New("too few observations, or their columns say the same")

// Regress fits y = X·coef + noise by generalised least squares (A. C. Aitken, On least squares and linear combination of observations, Proc. R. Soc. Edinburgh 55
// (1936), 42–48). x holds a column for each coefficient. The noise has the covariance with diag on the diagonal and off beside it, of neighbours:
// intervals between counts share one. Coefficients have the covariance (X'V⁻¹X)⁻¹, V being known.
//
// Condition is the condition number of the design, weighted by the covariance and with columns of equal length (D. A. Belsley, E. Kuh and R. E. Welsch, Regression
// Diagnostics, 1980, chapter 3).
func Regress(y []float64, x [][]float64, diag, off []float64) (Fit, error) {
	n, k := len(y), len(x)
	if n < k || k == 0 {
		return Fit{}, ErrDesign
	}
	v := mat.NewSymDense(n, nil)
	for i := range n {
		v.SetSym(i, i, diag[i])
		if i+1 < n {
			v.SetSym(i, i+1, off[i])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(v) {
		return Fit{}, ErrDesign
	}
	var l mat.TriDense
	chol.LTo(&l)
	whiten := func(col []float64) *mat.VecDense {
		out := mat.NewVecDense(n, nil)
		for i := range n {
			sum := col[i]
			for j := max(0, i-1); j < i; j++ { // the factor of a tridiagonal matrix has one diagonal beside the main one
				sum -= float64(l.At(i, j) * out.AtVec(j))
			}
			out.SetVec(i, sum/l.At(i, i))
		}
		return out
	}
	design, scaled := mat.NewDense(n, k, nil), mat.NewDense(n, k, nil)
	for j := range k {
		col := whiten(x[j])
		length := mat.Norm(col, 2)
		if length == 0 {
			return Fit{}, ErrDesign
		}
		for i := range n {
			design.Set(i, j, col.AtVec(i))
			scaled.Set(i, j, col.AtVec(i)/length)
		}
	}
	condition := mat.Cond(scaled, 2)
	if math.IsInf(condition, 0) || condition > 1e8 {
		return Fit{}, ErrDesign
	}
	target := whiten(y)
	var qr mat.QR
	qr.Factorize(design)
	var coef mat.VecDense
	if err := qr.SolveVecTo(&coef, false, target); err != nil {
		return Fit{}, ErrDesign
	}
	var gram, inverse mat.Dense
	gram.Mul(design.T(), design)
	if err := inverse.Inverse(&gram); err != nil {
		return Fit{}, ErrDesign
	}
	f := Fit{LogDet: chol.LogDet(), Condition: condition, N: n, Parameters: k}
	for j := range k {
		f.Coef = append(f.Coef, coef.AtVec(j))
		row := make([]float64, k)
		for i := range row {
			row[i] = inverse.At(j, i)
		}
		f.Cov = append(f.Cov, row)
	}
	var rest mat.VecDense
	rest.MulVec(design, &coef)
	rest.SubVec(target, &rest)
	f.Chi2 = float64(mat.Norm(&rest, 2) * mat.Norm(&rest, 2))
	return f, nil
}
