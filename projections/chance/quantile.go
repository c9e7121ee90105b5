package chance

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// many is the number of degrees of freedom from which Student's t is taken as the normal distribution.
const many = 1e5

// Normal returns the quantile of the standard normal distribution at p, 0 < p < 1.
func Normal(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// Student returns the quantile of Student's t with nu degrees of freedom at p, 0 < p < 1. nu need not be whole; +Inf is the normal distribution.
func Student(p, nu float64) float64 {
	if nu > many {
		return Normal(p)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(p)
}

// Above returns the chance that Student's t with nu degrees of freedom is above x.
func Above(x, nu float64) float64 {
	switch {
	case math.IsInf(x, 1):
		return 0
	case math.IsInf(x, -1):
		return 1
	case nu > many:
		return distuv.UnitNormal.Survival(x)
	case x < 0:
		return 1 - Above(-x, nu)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.CDF(-x) // the left tail keeps its digits
}

// Chi2 returns the quantile of the chi-squared distribution with nu degrees of freedom at p.
func Chi2(p, nu float64) float64 { return distuv.ChiSquared{K: nu}.Quantile(p) }
