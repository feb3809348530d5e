package weights

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
)

func randomRows(seed uint64, n, joints, most int) *Rows {
	rng := rand.New(rand.NewPCG(seed, 1))
	r, acc := NewRows(n), NewAccumulator(joints)
	for v := 0; v < n; v++ {
		for k := 1 + rng.IntN(most); k > 0; k-- {
			acc.Add(uint16(rng.IntN(joints)), math.Pow(rng.Float64(), 4)+1e-9)
		}
		acc.FlushNormalised(r)
	}
	return r
}

func rowsOf(rows ...map[uint16]float64) *Rows {
	r, acc := NewRows(0), NewAccumulator(16)
	for _, m := range rows {
		for j, w := range m {
			acc.Add(j, w)
		}
		acc.Flush(r)
	}
	return r
}

// checkStored is glTF 2.0, section 3.7.3.3: integers sum to the type's maximum
// exactly, floats to one within 2e-7 for each non-zero weight, none is negative.
func checkStored(t *testing.T, r *Rows, f Format) {
	t.Helper()
	for v := 0; v < r.Len(); v++ {
		joint, weight := r.Row(v)
		sum, total := 0.0, 0
		for i, w := range weight {
			if !(w > 0) || i > 0 && joint[i] <= joint[i-1] {
				t.Fatalf("vertex %d: row %v %v", v, joint, weight)
			}
			switch f {
			case Float32:
				if float64(float32(w)) != w {
					t.Fatalf("vertex %d: %g is no float32", v, w)
				}
				sum += w
			case Uint16:
				total += int(math.Round(w * 65535))
			case Uint8:
				total += int(math.Round(w * 255))
			}
		}
		if f == Float32 && !(math.Abs(sum-1) <= 2e-7*float64(len(weight))) || f == Uint16 && total != 65535 || f == Uint8 && total != 255 {
			t.Fatalf("vertex %d format %d: sum %.9g, integers %d", v, f, sum, total)
		}
	}
}

func TestFinish_StoredSumsAndThreads(t *testing.T) {
	const seed = 7
	in := randomRows(seed, 9000, 60, 12)
	for _, f := range []Format{Float32, Uint16, Uint8} {
		for _, most := range []int{0, 1, 4, 8} {
			o := FinishOptions{MaxInfluences: most, PruneBelow: 0.01, Format: f, Threads: 1}
			a, lost, err := Finish(in, o)
			if err != nil {
				t.Fatal(err)
			}
			checkStored(t, a, f)
			for v := 0; v < a.Len(); v++ {
				if j, _ := a.Row(v); most > 0 && len(j) > most {
					t.Fatalf("seed %d, vertex %d: %d influences, limit %d", seed, v, len(j), most)
				}
			}
			o.Threads = 5
			b, lostB, _ := Finish(in, o)
			if !reflect.DeepEqual(a, b) || !reflect.DeepEqual(lost, lostB) {
				t.Fatalf("format %d, limit %d: result depends on threads", f, most)
			}
		}
	}
}

func TestQuantise_WithinOneStepAndIdempotent(t *testing.T) {
	const seed = 8
	in := randomRows(seed, 2000, 400, 300) // more influences than Uint8 has steps
	for _, f := range []Format{Uint16, Uint8} {
		q, err := Quantise(in, f)
		if err != nil {
			t.Fatal(err)
		}
		checkStored(t, q, f)
		for v := 0; v < q.Len(); v++ {
			dense := map[uint16]float64{}
			j, w := in.Row(v)
			for i := range j {
				dense[j[i]] = w[i]
			}
			j, w = q.Row(v)
			for i := range j {
				dense[j[i]] -= w[i]
			}
			for k, d := range dense {
				if math.Abs(d)*float64(f.Steps()) >= 1+1e-8 { // the allowance of 1e-9, rounded up
					t.Fatalf("seed %d, vertex %d, joint %d moved by %g", seed, v, k, d)
				}
			}
		}
		if again, _ := Quantise(q, f); !reflect.DeepEqual(q, again) {
			t.Errorf("format %d: quantising twice differs", f)
		}
	}
}

func TestQuantise_Table(t *testing.T) {
	third := 1.0 / 3
	tests := []struct {
		name string
		in   map[uint16]float64
		want []float64 // times 255
	}{
		{"one joint", map[uint16]float64{3: 0.2}, []float64{255}},
		{"halves tie to the lower joint", map[uint16]float64{1: .5, 2: .5}, []float64{128, 127}},
		{"thirds are whole", map[uint16]float64{1: third, 2: third, 5: third}, []float64{85, 85, 85}},
		{"quarters tie to lower joints", map[uint16]float64{1: .25, 2: .25, 3: .25, 4: .25}, []float64{64, 64, 64, 63}},
		{"under half a step vanishes", map[uint16]float64{1: .999, 2: .001}, []float64{255}},
		{"huge", map[uint16]float64{1: math.MaxFloat64, 2: math.MaxFloat64}, []float64{128, 127}},
		{"subnormal", map[uint16]float64{1: 5e-324, 2: 5e-324}, []float64{128, 127}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			q, err := Quantise(rowsOf(tt.in), Uint8)
			if err != nil {
				t.Fatal(err)
			}
			for i := range tt.want {
				tt.want[i] /= 255
			}
			if _, w := q.Row(0); !reflect.DeepEqual(w, tt.want) {
				t.Errorf("got %v, want %v", w, tt.want)
			}
		})
	}
}

func TestFinish_RefusesBadRows(t *testing.T) {
	good := []float64{0.5, 0.5}
	for _, bad := range [][]float64{{}, {0, 0}, {math.NaN(), 1}, {-0.1, 1.1}, {math.Inf(1), 0}} {
		r := NewRows(0)
		r.Append([]uint16{0, 1}, good)
		r.Append([]uint16{0, 1}[:len(bad)], bad)
		r.Append(nil, nil)
		_, _, err := Finish(r, FinishOptions{})
		var e *RowError
		if !errors.As(err, &e) || e.Vertex != 1 {
			t.Errorf("row %v: error %v, want one for vertex 1", bad, err)
		}
	}
}

func TestLimit_TiesAndLoss(t *testing.T) {
	out, lost := Limit(rowsOf(map[uint16]float64{2: .4, 5: .2, 7: .2, 9: .2}), 2)
	j, w := out.Row(0)
	if !reflect.DeepEqual(j, []uint16{2, 5}) || !reflect.DeepEqual(w, []float64{.4, .2}) || math.Abs(float64(lost[0])-.4) > 1e-7 {
		t.Errorf("joints %v, weights %v, lost %g", j, w, lost[0])
	}
}

func TestPrune_NeverEmpties(t *testing.T) {
	out := Prune(rowsOf(map[uint16]float64{1: .25, 2: .25, 3: .25, 4: .25}, map[uint16]float64{1: .95, 2: .05}), 0.9)
	if j, _ := out.Row(0); !reflect.DeepEqual(j, []uint16{1}) {
		t.Errorf("all below: joints %v, want [1]", j)
	}
	if j, _ := out.Row(1); !reflect.DeepEqual(j, []uint16{1}) {
		t.Errorf("one below: joints %v, want [1]", j)
	}
}

func TestEqualiseSeams(t *testing.T) {
	in := rowsOf(map[uint16]float64{1: 1}, map[uint16]float64{2: 1}, map[uint16]float64{3: 1})
	out, err := EqualiseSeams(in, [][]int32{{0, 2}, {1}})
	if err != nil {
		t.Fatal(err)
	}
	want := rowsOf(map[uint16]float64{1: .5, 3: .5}, map[uint16]float64{2: 1}, map[uint16]float64{1: .5, 3: .5})
	if !reflect.DeepEqual(out.Joint, want.Joint) || !reflect.DeepEqual(out.Weight, want.Weight) {
		t.Errorf("got %v", out)
	}
	for _, bad := range [][][]int32{{{0, 3}}, {{0, 1}, {1, 2}}, {{-1}}} {
		if _, err := EqualiseSeams(in, bad); err == nil {
			t.Errorf("groups %v: no error", bad)
		}
	}
}

func TestRestrictJoints(t *testing.T) {
	names := []string{"root", "spine", "arm/upper", "arm/lower", "prop"}
	parents := []int32{-1, 0, 1, 2, -1}
	tests := []struct {
		name        string
		allow, deny []string
		in, want    map[uint16]float64
	}{
		{"ancestor", nil, []string{"arm*"}, map[uint16]float64{3: .5, 1: .25, 0: .25}, map[uint16]float64{0: .25, 1: .75}},
		{"largest of the row", nil, []string{"prop"}, map[uint16]float64{4: .25, 1: .25, 2: .5}, map[uint16]float64{1: .25, 2: .75}},
		{"first of the skin", []string{"spine", "arm*"}, nil, map[uint16]float64{4: 1}, map[uint16]float64{1: 1}},
		{"deny wins", []string{"*"}, []string{"root"}, map[uint16]float64{0: 1}, map[uint16]float64{1: 1}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out, err := RestrictJoints(rowsOf(tt.in), names, parents, tt.allow, tt.deny)
			if err != nil {
				t.Fatal(err)
			}
			if want := rowsOf(tt.want); out.DistanceL1(0, want, 0) != 0 {
				t.Errorf("got %v %v, want %v", out.Joint, out.Weight, tt.want)
			}
		})
	}
	in := rowsOf(map[uint16]float64{0: 1})
	if _, err := RestrictJoints(in, names, parents, nil, []string{"*"}); !errors.Is(err, ErrNoJointAllowed) {
		t.Errorf("all denied: %v", err)
	}
	if _, err := RestrictJoints(in, names, parents, []string{"["}, nil); err == nil {
		t.Error("bad pattern: no error")
	}
	if _, err := RestrictJoints(in, []string{"a", "b"}, []int32{1, 0}, []string{"c"}, nil); !errors.Is(err, ErrNoJointAllowed) {
		t.Errorf("circle of parents: %v", err)
	}
}

func FuzzQuantise(f *testing.F) {
	f.Add(0.5, 0.5, 0.0, 1e-9)
	f.Add(math.MaxFloat64, 5e-324, math.NaN(), -1.0)
	f.Add(0.1, 0.2, 0.3, 0.4)
	f.Fuzz(func(t *testing.T, a, b, c, d float64) {
		r := NewRows(1)
		r.Append([]uint16{0, 1, 2, 3}, []float64{a, b, c, d})
		for _, fm := range []Format{Float32, Uint16, Uint8} {
			q, err := Quantise(r, fm)
			bad := !(a >= 0 && b >= 0 && c >= 0 && d >= 0) || math.IsInf(max(a, b, c, d), 0) || max(a, b, c, d) == 0
			if bad != (err != nil) {
				t.Fatalf("%g %g %g %g: error %v", a, b, c, d, err)
			}
			if err == nil {
				checkStored(t, q, fm)
			}
		}
	})
}

func BenchmarkFinish(b *testing.B) {
	in := randomRows(9, 20000, 60, 12)
	for _, f := range []Format{Float32, Uint16, Uint8} {
		b.Run(fmt.Sprintf("verts=20k/format=%d", f), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, _, err := Finish(in, FinishOptions{MaxInfluences: 4, PruneBelow: 0.01, Format: f}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
