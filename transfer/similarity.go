package transfer

import (
	"math"

	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// similarity is the map x -> c R x + t of a space of any dimension: R is a rotation
// (orthogonal, determinant 1), c the scale.
type similarity struct {
	r *mat.Dense
	t []float64
	c float64
	// residual is the mean squared distance that is left, in squared units.
	residual float64
}

// leastSquaresSimilarity returns the similarity that brings the points from (one a
// row) nearest to the points to, in the sense of the mean squared distance; never a
// mirror image. rigid keeps the scale at one. ok is false where from has no extent or the two have no common
// direction. O(points * dimension^2).
// Source: Umeyama, "Least-squares estimation of transformation parameters between two
// point patterns", IEEE PAMI 13(4), 1991, equations 34 to 43.
func leastSquaresSimilarity(from, to *mat.Dense, rigid bool) (s similarity, ok bool) {
	n, m := from.Dims()
	if n == 0 {
		return s, false
	}
	// Means, variance of from, covariance of both: equations 34 to 38.
	meanX, meanY := make([]float64, m), make([]float64, m)
	for i := 0; i < n; i++ {
		for k := 0; k < m; k++ {
			meanX[k] += from.At(i, k) / float64(n)
			meanY[k] += to.At(i, k) / float64(n)
		}
	}
	varX, varY := 0.0, 0.0
	cov := mat.NewDense(m, m, nil)
	for i := 0; i < n; i++ {
		for k := 0; k < m; k++ {
			x := from.At(i, k) - meanX[k]
			varX += x * x / float64(n)
			for l := 0; l < m; l++ {
				cov.Set(l, k, cov.At(l, k)+x*(to.At(i, l)-meanY[l])/float64(n))
			}
			y := to.At(i, k) - meanY[k]
			varY += y * y / float64(n)
		}
	}
	var svd mat.SVD
	if !(varX > 0) || !svd.Factorize(cov, mat.SVDFull) {
		return s, false
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	d := svd.Values(nil)
	// S is the identity, its last entry -1 where U V^T would mirror (39 and 43; that
	// the sign of det(U) det(V) serves for both is their case of full rank, and of rank
	// m-1).
	sign := 1.0
	if mat.Det(&u)*mat.Det(&v) < 0 {
		sign = -1
	}
	for k := 0; k < m; k++ {
		u.Set(k, m-1, sign*u.At(k, m-1))
	}
	s.r = mat.NewDense(m, m, nil)
	s.r.Mul(&u, v.T()) // 40
	trace := sign * d[m-1]
	for k := 0; k < m-1; k++ {
		trace += d[k]
	}
	if s.c = 1; !rigid {
		s.c = trace / varX // 42
	}
	s.t = make([]float64, m)
	for k := range s.t { // 41
		s.t[k] = meanY[k]
		for l := 0; l < m; l++ {
			s.t[k] -= s.c * s.r.At(k, l) * meanX[l]
		}
	}
	s.residual = max(0, varY-2*s.c*trace+s.c*s.c*varX) // with 42 equation 33
	return s, s.c > 0
}

// affine is the similarity of three dimensions as a map.
func (s *similarity) affine() skinning.Affine {
	var a skinning.Affine
	for i := range 3 {
		for k := range 3 {
			a.M[3*i+k] = s.c * s.r.At(i, k)
		}
	}
	a.T = r3.Vec{X: s.t[0], Y: s.t[1], Z: s.t[2]}
	return a
}

// turnAndScale takes the linear part of a similarity of three dimensions apart: the
// rotation vector (radians) and the scale.
func turnAndScale(a *skinning.Affine) (turn r3.Vec, scale float64) {
	scale = math.Cbrt(a.Det())
	if !(scale > 0) {
		return r3.Vec{}, 0
	}
	m := a.M
	for k := range m {
		m[k] /= scale
	}
	// R - R^T = 2 sin(angle) [axis]x, trace R = 1 + 2 cos(angle). The limbs of garments
	// turn by far less than half a turn, where the axis would be lost.
	axis := r3.Vec{X: m[7] - m[5], Y: m[2] - m[6], Z: m[3] - m[1]}
	l := r3.Norm(axis)
	if l == 0 {
		return r3.Vec{}, scale
	}
	return r3.Scale(math.Atan2(l, m[0]+m[4]+m[8]-1)/l, axis), scale
}
