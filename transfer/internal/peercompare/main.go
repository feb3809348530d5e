// Command peercompare runs this project's nearest-point search and fill on the
// meshes that the C++ programs in testdata/peers read, and prints its times in their
// format.
//
//	peercompare closest BODY GARMENT REPETITIONS [DISTANCES]
//	peercompare solve GARMENT REPETITIONS [SOLUTION]
//
// DISTANCES is a file of float64 (one a garment vertex) written by closest_cgal;
// the largest difference from it is printed.
package main

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/selvage/selvage/transfer/closest"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "peercompare:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) < 1 {
		return errors.New("usage: peercompare closest BODY GARMENT REPETITIONS [DISTANCES]")
	}
	switch args[0] {
	case "closest":
		return runClosest(args[1:])
	case "solve":
		return runSolve(args[1:])
	}
	return fmt.Errorf("unknown comparison %q", args[0])
}

func runClosest(args []string) error {
	if len(args) < 3 {
		return errors.New("usage: peercompare closest BODY GARMENT REPETITIONS [DISTANCES]")
	}
	positions, triangles, err := readMesh(args[0])
	if err != nil {
		return err
	}
	queries, _, err := readMesh(args[1])
	if err != nil {
		return err
	}
	repetitions, err := strconv.Atoi(args[2])
	if err != nil || repetitions < 1 {
		return fmt.Errorf("repetitions %q: want a positive number", args[2])
	}
	ctx := context.Background()
	hits := make([]closest.Hit, len(queries))
	for threads := 1; threads <= 2; threads++ {
		var build, query []float64
		for range repetitions {
			start := time.Now()
			tree, err := closest.NewTree(ctx, positions, triangles, threads)
			if err != nil {
				return err
			}
			build = append(build, time.Since(start).Seconds())
			start = time.Now()
			if err := tree.NearestAll(ctx, queries, hits, threads); err != nil {
				return err
			}
			query = append(query, time.Since(start).Seconds())
		}
		q := median(query)
		fmt.Printf("RESULT selvage threads=%d triangles=%d queries=%d build_ms=%.1f ns_per_query=%.0f\n",
			threads, len(triangles), len(queries), median(build)*1e3, q/float64(len(queries))*1e9)
	}
	if len(args) < 4 {
		return nil
	}
	raw, err := os.ReadFile(args[3])
	if err != nil {
		return err
	}
	if len(raw) != 8*len(hits) {
		return fmt.Errorf("%s: %d bytes, want %d", args[3], len(raw), 8*len(hits))
	}
	worst := 0.0
	for i, h := range hits {
		other := math.Float64frombits(binary.LittleEndian.Uint64(raw[8*i:]))
		worst = max(worst, math.Abs(math.Sqrt(h.DistanceSq)-other))
	}
	fmt.Printf("CHECK selvage largest difference of distance from the file: %.3g m\n", worst)
	return nil
}

func median(v []float64) float64 {
	slices.Sort(v)
	if n := len(v); n%2 == 0 {
		return (v[n/2-1] + v[n/2]) / 2
	}
	return v[len(v)/2]
}

// readMesh reads the format of testdata/peers/mesh.hpp.
func readMesh(path string) ([]r3.Vec, [][3]int32, error) {
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	if len(raw) < 12 || string(raw[:4]) != "SWM1" {
		return nil, nil, fmt.Errorf("%s: not an SWM1 mesh", path)
	}
	vertices := int(binary.LittleEndian.Uint32(raw[4:]))
	faces := int(binary.LittleEndian.Uint32(raw[8:]))
	body := raw[12:]
	if len(body) != 24*vertices+12*faces {
		return nil, nil, fmt.Errorf("%s: %d bytes for %d vertices and %d triangles", path, len(raw), vertices, faces)
	}
	positions := make([]r3.Vec, vertices)
	coordinate := func(i int) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(body[8*i:])) }
	for i := range positions {
		positions[i] = r3.Vec{X: coordinate(3 * i), Y: coordinate(3*i + 1), Z: coordinate(3*i + 2)}
	}
	body = body[24*vertices:]
	triangles := make([][3]int32, faces)
	for i := range triangles {
		for k := range 3 {
			triangles[i][k] = int32(binary.LittleEndian.Uint32(body[4*(3*i+k):]))
		}
	}
	return positions, triangles, nil
}
