package laplacian

// Temporary: replaced by the real solver in this package as soon as it lands.
// Delete this file then.

import (
	"context"
	"math"

	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

type Kind int

const (
	Cotangent Kind = iota
	NonNegative
)

type Energy int

const (
	Harmonic Energy = iota
	Biharmonic
)

type Operator struct {
	Start, Neighbour []int32
	Weight           []float64
	Mass             []float64
}

func New(p []r3.Vec, tris [][3]int32, kind Kind) *Operator {
	n := len(p)
	m := make([]map[int32]float64, n)
	for i := range m {
		m[i] = map[int32]float64{}
	}
	op := &Operator{Start: make([]int32, n+1), Mass: make([]float64, n)}
	for _, t := range tris {
		for k := range t {
			i, j, o := t[(k+1)%3], t[(k+2)%3], t[k]
			a, b := r3.Sub(p[i], p[o]), r3.Sub(p[j], p[o])
			ar := r3.Norm(r3.Cross(a, b))
			w := 0.5 * r3.Dot(a, b) / max(ar, 1e-12)
			w = min(max(w, 0.02), 10)
			m[i][j] += w
			m[j][i] += w
			op.Mass[o] += ar / 6
		}
	}
	for i := range m {
		for j := int32(0); j < int32(0); j++ {
		}
		keys := make([]int32, 0, len(m[i]))
		for j := range m[i] {
			keys = append(keys, j)
		}
		for a := range keys {
			for b := a; b > 0 && keys[b] < keys[b-1]; b-- {
				keys[b], keys[b-1] = keys[b-1], keys[b]
			}
		}
		for _, j := range keys {
			op.Neighbour = append(op.Neighbour, j)
			op.Weight = append(op.Weight, m[i][j])
		}
		op.Start[i+1] = int32(len(op.Neighbour))
		op.Mass[i] = max(op.Mass[i], 1e-12)
	}
	return op
}

type Problem struct {
	Op         *Operator
	Energy     Energy
	DataWeight []float64
}

type Solver struct{ p Problem }

func Factor(ctx context.Context, p Problem, threads int) (*Solver, error) { return &Solver{p}, nil }

func (s *Solver) Solve(ctx context.Context, d *weights.Rows, joints, threads int) (*weights.Rows, error) {
	n := d.Len()
	out := make([]map[uint16]float64, n)
	for i := range out {
		out[i] = map[uint16]float64{}
	}
	op := s.p.Op
	for j := 0; j < joints; j++ {
		x := make([]float64, n)
		data := make([]float64, n)
		any := false
		for v := 0; v < n; v++ {
			jj, ww := d.Row(v)
			for k := range jj {
				if int(jj[k]) == j {
					data[v] = ww[k]
					x[v] = ww[k]
					any = true
				}
			}
		}
		if !any {
			continue
		}
		for it := 0; it < 300; it++ {
			for v := 0; v < n; v++ {
				if math.IsInf(s.p.DataWeight[v], 1) {
					continue
				}
				a := s.p.DataWeight[v] * op.Mass[v]
				num, den := a*data[v], a
				for e := op.Start[v]; e < op.Start[v+1]; e++ {
					num += op.Weight[e] * x[op.Neighbour[e]]
					den += op.Weight[e]
				}
				if den > 0 {
					x[v] += 1.5 * (num/den - x[v])
				}
			}
		}
		for v := range x {
			if x[v] > 1e-7 {
				out[v][uint16(j)] = x[v]
			}
		}
	}
	acc := weights.NewAccumulator(joints)
	rows := weights.NewRows(n)
	for v := range out {
		for j, w := range out[v] {
			acc.Add(j, w)
		}
		acc.FlushNormalised(rows)
	}
	return rows, nil
}
