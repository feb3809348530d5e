package main

// The fill on the reference system of testdata/peers/solve_cholmod.cpp: 30% of
// the garment's vertices unknown in four patches, 64 right-hand sides.

import (
	"container/heap"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"

	"github.com/selvage/selvage/transfer/laplacian"
	"github.com/selvage/selvage/transfer/weights"
	"gonum.org/v1/gonum/spatial/r3"
)

const (
	columns      = 64
	unknownShare = 0.3
)

func runSolve(args []string) error {
	if len(args) < 2 {
		return errors.New("usage: peercompare solve GARMENT REPETITIONS [SOLUTION]")
	}
	positions, triangles, err := readMesh(args[0])
	if err != nil {
		return err
	}
	repetitions, err := strconv.Atoi(args[1])
	if err != nil || repetitions < 1 {
		return fmt.Errorf("repetitions %q: want a positive number", args[1])
	}
	ctx := context.Background()
	op := laplacian.New(positions, triangles, laplacian.Cotangent)
	unknown := patches(positions, op)
	p := laplacian.Problem{Op: op, DataWeight: make([]float64, len(positions))}
	n := 0
	for v := range unknown {
		if unknown[v] {
			n++
		} else {
			p.DataWeight[v] = math.Inf(1)
		}
	}
	for _, energy := range []laplacian.Energy{laplacian.Biharmonic, laplacian.Harmonic} {
		name := map[laplacian.Energy]string{laplacian.Biharmonic: "bi", laplacian.Harmonic: "harm"}[energy]
		p.Energy = energy
		for _, threads := range []int{1, 2} {
			var assemble, order, factor, solve []float64
			for range repetitions {
				t, _, err := laplacian.Measure(ctx, p, columns, threads)
				if err != nil {
					return err
				}
				assemble = append(assemble, 1e3*t.Assemble.Seconds())
				order = append(order, 1e3*t.Order.Seconds())
				factor = append(factor, 1e3*t.Factor.Seconds())
				solve = append(solve, 1e3*t.Solve.Seconds())
			}
			fmt.Printf("RESULT selvage %s threads=%d n=%d assemble_ms=%.1f order_ms=%.1f factor_ms=%.1f solve64_ms=%.1f\n",
				name, threads, n, middle(assemble), middle(order), middle(factor), middle(solve))
		}
		if energy == laplacian.Biharmonic && len(args) > 2 {
			if err := compareSolution(ctx, p, positions, unknown, n, args[2]); err != nil {
				return err
			}
		}
	}
	return nil
}

func middle(x []float64) float64 {
	slices.Sort(x)
	return x[len(x)/2]
}

// compareSolution solves the system with the reference's data and holds it
// against the values that solve_cholmod wrote: float64, n by 64, column-major.
func compareSolution(ctx context.Context, p laplacian.Problem, positions []r3.Vec, unknown []bool, n int, file string) error {
	raw, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	if len(raw) != 8*n*columns {
		return fmt.Errorf("%s: %d bytes, want %d", file, len(raw), 8*n*columns)
	}
	data := weights.NewRows(len(positions))
	joint, weight := make([]uint16, columns), make([]float64, columns)
	for _, x := range positions {
		sum := 0.0
		for j := range columns {
			a := float64(j)
			c := r3.Vec{X: 0.5 * math.Sin(a*1.7), Y: 0.12 * math.Cos(a*2.3), Z: 0.4 + 1.1*a/columns}
			joint[j], weight[j] = uint16(j), math.Exp(-r3.Norm2(r3.Sub(x, c))/(2*0.15*0.15))
			sum += weight[j]
		}
		for j := range weight {
			weight[j] /= sum
		}
		data.Append(joint, weight)
	}
	s, err := laplacian.Factor(ctx, p, 2)
	if err != nil {
		return err
	}
	rows, err := s.Solve(ctx, data, columns, 2)
	if err != nil {
		return err
	}
	worst, at := 0.0, 0
	for v := range positions {
		if !unknown[v] {
			continue
		}
		var dense [columns]float64
		j, w := rows.Row(v)
		for i := range j {
			dense[j[i]] = w[i]
		}
		for c := range dense {
			x := math.Float64frombits(binary.LittleEndian.Uint64(raw[8*(c*n+at):]))
			worst = max(worst, math.Abs(x-dense[c]))
		}
		at++
	}
	fmt.Printf("CHECK selvage-cholmod max|x-x|=%.2e\n", worst)
	return nil
}

// patches marks the unknown vertices as the reference does: the nearest 30% to
// four seeds, each the farthest vertex from those before, by edge lengths in
// float32.
func patches(positions []r3.Vec, op *laplacian.Operator) []bool {
	n := len(positions)
	seeds := []int32{0}
	_, last := shortest(positions, op, seeds)
	seeds = []int32{last}
	for range 3 {
		_, last = shortest(positions, op, seeds)
		seeds = append(seeds, last)
	}
	order, _ := shortest(positions, op, seeds)
	unknown := make([]bool, n)
	for _, v := range order[:int(float64(n)*unknownShare+1e-9)] {
		unknown[v] = true
	}
	return unknown
}

type item struct {
	d float32
	v int32
}

type queue []item

func (q queue) Len() int           { return len(q) }
func (q queue) Less(i, j int) bool { return q[i].d < q[j].d || q[i].d == q[j].d && q[i].v < q[j].v }
func (q queue) Swap(i, j int)      { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)        { *q = append(*q, x.(item)) }
func (q *queue) Pop() any {
	x := (*q)[len(*q)-1]
	*q = (*q)[:len(*q)-1]
	return x
}

// shortest returns the vertices in order of their distance from the seeds along
// edges (Dijkstra 1959), and the last of them.
func shortest(positions []r3.Vec, op *laplacian.Operator, seeds []int32) (order []int32, last int32) {
	dist := make([]float32, len(positions))
	for i := range dist {
		dist[i] = 1e30
	}
	q := &queue{}
	for _, s := range seeds {
		dist[s] = 0
		heap.Push(q, item{0, s})
	}
	last = seeds[0]
	for q.Len() > 0 {
		x := heap.Pop(q).(item)
		if x.d > dist[x.v] {
			continue
		}
		last = x.v
		order = append(order, x.v)
		for e := op.Start[x.v]; e < op.Start[x.v+1]; e++ {
			u := op.Neighbour[e]
			d := x.d + float32(r3.Norm(r3.Sub(positions[x.v], positions[u])))
			if d < dist[u] {
				dist[u] = d
				heap.Push(q, item{d, u})
			}
		}
	}
	return order, last
}
