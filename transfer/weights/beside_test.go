package weights

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestFinishBeside_Properties: held weights stay as they are on the format's grid, the
// row is legal, its own joints keep their proportion and their order, and limit and
// pruning touch them alone.
func TestFinishBeside_Properties(t *testing.T) {
	const seed, n = 11, 400
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, f := range []Format{Float32, Uint16, Uint8} {
		for _, most := range []int{0, 1, 4, 8} {
			own, held := NewRows(n), NewRows(n)
			for range n {
				var oj, hj []uint16
				var ow, hw []float64
				left := 1.0
				for j := range uint16(12) {
					switch rng.IntN(4) {
					case 0:
						w := left * rng.Float64()
						if s := float64(f.Steps()); s > 0 {
							w = math.Floor(w*s) / s
						} else {
							w = float64(float32(w))
						}
						if left -= w; w > 0 {
							hj, hw = append(hj, j), append(hw, w)
						}
					case 1:
						oj, ow = append(oj, j), append(ow, rng.Float64()+0.01)
					}
				}
				if len(oj) == 0 {
					oj, ow = []uint16{12}, []float64{3}
				}
				own.Append(oj, ow)
				held.Append(hj, hw)
			}
			rows, lost, err := FinishBeside(context.Background(), own, held, FinishOptions{MaxInfluences: most, Format: f, PruneBelow: 0.01})
			if err != nil {
				t.Fatal(err)
			}
			for v := range n {
				joint, weight := rows.Row(v)
				if err := f.CheckStored(v, weight); err != nil {
					t.Fatalf("seed %d, format %d: %v", seed, f, err)
				}
				if !slices.IsSorted(joint) {
					t.Fatalf("seed %d, vertex %d: joints %v", seed, v, joint)
				}
				hj, hw := held.Row(v)
				mine := 0
				for i, j := range joint {
					if k := slices.Index(hj, j); k < 0 {
						mine++
					} else if weight[i] != hw[k] {
						t.Fatalf("seed %d, format %d, vertex %d: held joint %d has %g, had %g", seed, f, v, j, weight[i], hw[k])
					}
				}
				for _, j := range hj {
					if !slices.Contains(joint, j) {
						t.Fatalf("seed %d, vertex %d: held joint %d is gone", seed, v, j)
					}
				}
				if most > 0 && mine > max(1, most-len(hj)) {
					t.Fatalf("seed %d, vertex %d: %d influences beside %d held ones, at most %d", seed, v, mine, len(hj), most)
				}
				if lost[v] < 0 || lost[v] > 1 || most == 0 && lost[v] != 0 {
					t.Fatalf("seed %d, vertex %d: lost %g", seed, v, lost[v])
				}
			}
		}
	}
}

// TestFinishBeside_NothingHeld: where nothing is held it is Finish.
func TestFinishBeside_NothingHeld(t *testing.T) {
	const seed = 3
	r := randomRows(seed, 300, 20, 9)
	none := NewRows(0)
	for range r.Len() {
		none.Append(nil, nil)
	}
	for _, f := range []Format{Float32, Uint16, Uint8} {
		o := FinishOptions{MaxInfluences: 4, PruneBelow: 0.02, Format: f}
		a, lostA, err := Finish(r, o)
		if err != nil {
			t.Fatal(err)
		}
		b, lostB, err := FinishBeside(context.Background(), r, none, o)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(a.Joint, b.Joint) || !slices.Equal(a.Weight, b.Weight) || !slices.Equal(a.Start, b.Start) || !slices.Equal(lostA, lostB) {
			t.Errorf("seed %d, format %d: other rows than Finish's", seed, f)
		}
	}
}

func TestFinishBeside_Table(t *testing.T) {
	for _, c := range []struct {
		name      string
		f         Format
		own, held map[uint16]float64
		want      string
	}{
		{"all held", Float32, nil, map[uint16]float64{1: 0.25, 2: 0.75}, "[1 2] [0.25 0.75]"},
		{"all held to float32 rounding, illegal sum", Uint8, nil, map[uint16]float64{1: 0.5, 2: 0.4999}, "[1 2] [0.5019607843137255 0.4980392156862745]"},
		{"half held", Uint8, map[uint16]float64{0: 1, 3: 1}, map[uint16]float64{1: 51. / 255}, "[0 1 3] [0.4 0.2 0.4]"},
		// 0.3 is 76.5 steps: up to 77 each, 231 and 24 for the own.
		{"off the grid", Uint8, map[uint16]float64{9: 2}, map[uint16]float64{1: 0.3, 2: 0.3, 3: 0.3}, "[1 2 3 9] [0.30196078431372547 0.30196078431372547 0.30196078431372547 0.09411764705882353]"},
		{"zero on the grid", Uint8, map[uint16]float64{9: 1}, map[uint16]float64{1: 0.001, 2: 0.5}, "[2 9] [0.5019607843137255 0.4980392156862745]"},
	} {
		own, held := rowsOf(c.own), rowsOf(c.held)
		rows, _, err := FinishBeside(context.Background(), own, held, FinishOptions{Format: c.f})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		joint, weight := rows.Row(0)
		if got := fmt.Sprint(joint, weight); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	_, _, err := FinishBeside(context.Background(), rowsOf(nil), rowsOf(map[uint16]float64{1: 0.5}), FinishOptions{})
	var bad *RowError
	if !errors.As(err, &bad) || bad.Vertex != 0 {
		t.Errorf("a rest without an influence: %v", err)
	}
	if _, _, err := FinishBeside(context.Background(), NewRows(0), rowsOf(nil), FinishOptions{}); err == nil {
		t.Error("other numbers of rows pass")
	}
}

func TestFormat_IsStored(t *testing.T) {
	for _, c := range []struct {
		name   string
		f      Format
		weight []float64
		want   bool
	}{
		{"float", Float32, []float64{0.25, 0.75}, true},
		{"sum off within the tolerance", Float32, []float64{float64(float32(0.1)), float64(float32(0.9))}, true},
		{"sum off", Float32, []float64{0.25, 0.7500019073486328}, false},
		{"no float32", Float32, []float64{0.1, 0.9}, false},
		{"zero", Float32, []float64{1, 0}, false},
		{"negative", Float32, []float64{1.5, -0.5}, false},
		{"not a number", Float32, []float64{math.NaN()}, false},
		{"empty", Float32, nil, false},
		{"bytes", Uint8, []float64{51. / 255, 204. / 255}, true},
		{"bytes off the grid", Uint8, []float64{0.25, 0.75}, false},
		{"bytes, sum off", Uint8, []float64{51. / 255, 203. / 255}, false},
		{"shorts", Uint16, []float64{1. / 65535, 65534. / 65535}, true},
	} {
		if got := c.f.IsStored(c.weight); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
