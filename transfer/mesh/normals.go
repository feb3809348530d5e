package mesh

import (
	"context"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

func unitOrZero(v r3.Vec) r3.Vec {
	l := r3.Norm(v)
	if !(l > 0) || math.IsInf(l, 0) {
		return r3.Vec{}
	}
	return r3.Scale(1/l, v)
}

// FaceNormals returns the unit normal of each triangle, pointing to the side
// from which it is counter-clockwise; zero where the triangle is degenerate.
func FaceNormals(m *Mesh) []r3.Vec {
	n, _ := FaceNormalsContext(context.Background(), m) // fails by ctx alone
	return n
}

// FaceNormalsContext is FaceNormals that ends with ctx's error soon after ctx is
// done.
func FaceNormalsContext(ctx context.Context, m *Mesh) ([]r3.Vec, error) {
	out := make([]r3.Vec, len(m.Triangles))
	for t, tri := range m.Triangles {
		if done(ctx, t) {
			return nil, ctx.Err()
		}
		a, b, c := m.Positions[tri[0]], m.Positions[tri[1]], m.Positions[tri[2]]
		out[t] = unitOrZero(r3.Cross(r3.Sub(b, a), r3.Sub(c, a)))
	}
	return out, nil
}

// VertexNormals returns unit vertex normals, each triangle weighted by its angle
// at the vertex; zero where no triangle has a say or they cancel.
// Source: Thürmer & Wüthrich, "Computing Vertex Normals from Polygonal Facets",
// Journal of Graphics Tools 3(1), 1998.
func VertexNormals(m *Mesh) []r3.Vec {
	n, _ := VertexNormalsContext(context.Background(), m) // fails by ctx alone
	return n
}

// VertexNormalsContext is VertexNormals that ends with ctx's error soon after ctx
// is done.
func VertexNormalsContext(ctx context.Context, m *Mesh) ([]r3.Vec, error) {
	out := make([]r3.Vec, len(m.Positions))
	for i, tri := range m.Triangles {
		if done(ctx, i) {
			return nil, ctx.Err()
		}
		p := [3]r3.Vec{m.Positions[tri[0]], m.Positions[tri[1]], m.Positions[tri[2]]}
		n := r3.Cross(r3.Sub(p[1], p[0]), r3.Sub(p[2], p[0]))
		l := r3.Norm(n)
		if !(l > 0) {
			continue
		}
		n = r3.Scale(1/l, n)
		for k, v := range tri {
			e, f := r3.Sub(p[(k+1)%3], p[k]), r3.Sub(p[(k+2)%3], p[k])
			// atan2 of sine and cosine (both times |e||f|) keeps small angles exact.
			out[v] = r3.Add(out[v], r3.Scale(math.Atan2(l, r3.Dot(e, f)), n))
		}
	}
	for v := range out {
		if done(ctx, v) {
			return nil, ctx.Err()
		}
		// Normals that cancel to rounding point nowhere.
		if r3.Norm(out[v]) < 1e-9 {
			out[v] = r3.Vec{}
			continue
		}
		out[v] = unitOrZero(out[v])
	}
	return out, nil
}

// PrincipalExtents returns the ranges of points along the eigenvectors of their
// covariance, in ascending order of the eigenvalues. No points give zeros.
func PrincipalExtents(points []r3.Vec) [3]float64 {
	e, _ := PrincipalExtentsContext(context.Background(), points) // fails by ctx alone
	return e
}

// PrincipalExtentsContext is PrincipalExtents that ends with ctx's error soon
// after ctx is done.
func PrincipalExtentsContext(ctx context.Context, points []r3.Vec) ([3]float64, error) {
	if len(points) == 0 {
		return [3]float64{}, ctx.Err()
	}
	var mean r3.Vec
	for i, p := range points {
		if done(ctx, i) {
			return [3]float64{}, ctx.Err()
		}
		mean = r3.Add(mean, p)
	}
	mean = r3.Scale(1/float64(len(points)), mean)
	c := mat.NewSymDense(3, nil)
	for k, p := range points {
		if done(ctx, k) {
			return [3]float64{}, ctx.Err()
		}
		d := r3.Sub(p, mean)
		x := [3]float64{d.X, d.Y, d.Z}
		for i := 0; i < 3; i++ {
			for j := i; j < 3; j++ {
				c.SetSym(i, j, c.At(i, j)+x[i]*x[j])
			}
		}
	}
	var eig mat.EigenSym
	axes := [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	if eig.Factorize(c, true) {
		var v mat.Dense
		eig.VectorsTo(&v)
		for k := range axes {
			axes[k] = r3.Vec{X: v.At(0, k), Y: v.At(1, k), Z: v.At(2, k)}
		}
	}
	var out [3]float64
	for k, a := range axes {
		lo, hi := math.Inf(1), math.Inf(-1)
		for i, p := range points {
			if done(ctx, i) {
				return out, ctx.Err()
			}
			x := r3.Dot(a, p)
			lo, hi = min(lo, x), max(hi, x)
		}
		out[k] = hi - lo
	}
	return out, nil
}
