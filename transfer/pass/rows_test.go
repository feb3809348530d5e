package pass

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
)

// randomRows are n legal rows of the format over joints joints with at most most
// influences.
func randomRows(rng *rand.Rand, n, joints, most int, f weights.Format) *weights.Rows {
	r, acc := weights.NewRows(n), weights.NewAccumulator(joints)
	for range n {
		for k := 1 + rng.IntN(most); k > 0; k-- {
			acc.Add(uint16(rng.IntN(joints)), math.Pow(rng.Float64(), 2)+1e-4)
		}
		acc.FlushNormalised(r)
	}
	q, err := weights.Quantise(r, f)
	if err != nil {
		panic(err)
	}
	return q
}

func rowOf(pairs ...float64) *weights.Rows {
	r := weights.NewRows(1)
	var joint []uint16
	var weight []float64
	for i := 0; i < len(pairs); i += 2 {
		joint, weight = append(joint, uint16(pairs[i])), append(weight, pairs[i+1])
	}
	r.Append(joint, weight)
	return r
}

func joined(rows ...*weights.Rows) *weights.Rows { return weights.Concat(rows...) }

func names(n int) []Joint {
	out := make([]Joint, n)
	for j := range out {
		out[j] = Joint{Name: string(rune('a' + j)), Parent: int32(j) - 1}
	}
	return out
}

func sameRow(a *weights.Rows, v int, b *weights.Rows, u int) bool {
	return compareRows(a, v, b, u) == 0
}

// TestProjectSparse holds the projection against all supports of the right size,
// each projected by its own optimality conditions: the nearest point with
// entries on a support S is y + (1 - sum of y over S)/|S| where that is positive.
func TestProjectSparse(t *testing.T) {
	const seed = 3
	rng := rand.New(rand.NewPCG(seed, 1))
	for round := range 400 {
		n := 1 + rng.IntN(6)
		most := rng.IntN(n + 1)
		y := make([]float64, n)
		for i := range y {
			y[i] = rng.NormFloat64()
		}
		best, bestDist := []float64(nil), math.Inf(1)
		for set := 1; set < 1<<n; set++ {
			size, sum := 0, 0.0
			for i := range y {
				if set>>i&1 == 1 {
					size++
					sum += y[i]
				}
			}
			if most > 0 && size > most {
				continue
			}
			x, dist, legal := make([]float64, n), 0.0, true
			for i := range y {
				if set>>i&1 == 1 {
					x[i] = y[i] + (1-sum)/float64(size)
					legal = legal && x[i] >= 0
				}
				dist += (x[i] - y[i]) * (x[i] - y[i])
			}
			if legal && dist < bestDist {
				best, bestDist = x, dist
			}
		}
		got := slices.Clone(y)
		projectSparse(got, most)
		for i := range got {
			if math.Abs(got[i]-best[i]) > 1e-12 {
				t.Fatalf("seed %d, round %d: %v with at most %d: got %v, want %v", seed, round, y, most, got, best)
			}
		}
	}
}

// exported is what another program makes of a row: influences below drop left
// out, at most limit kept, normalised, each weight rounded for itself to steps (0:
// single precision), and read back normalised.
func exported(r *weights.Rows, drop float64, limit, steps int) *weights.Rows {
	out := weights.NewRows(r.Len())
	acc := weights.NewAccumulator(64)
	for v := range r.Len() {
		joint, weight := r.Row(v)
		type pair struct {
			j uint16
			w float64
		}
		var list []pair
		for i, j := range joint {
			if weight[i] >= drop {
				list = append(list, pair{j, weight[i]})
			}
		}
		slices.SortStableFunc(list, func(a, b pair) int { return int(math.Copysign(1, b.w-a.w)) })
		list = list[:min(limit, len(list))]
		sum := float32(0)
		for _, p := range list {
			sum += float32(p.w)
		}
		for _, p := range list {
			w := float64(float32(p.w) / sum)
			if steps > 0 {
				w = math.Round(w*float64(steps)) / float64(steps)
			}
			if w > 0 {
				acc.Add(p.j, w)
			}
		}
		acc.FlushNormalised(out)
	}
	return out
}

// TestSame_Export: what programs do to rows on export is no edit.
func TestSame_Export(t *testing.T) {
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, f := range []weights.Format{weights.Float32, weights.Uint16, weights.Uint8} {
		written := randomRows(rng, 3000, 40, 8, f)
		for _, x := range []struct {
			name  string
			drop  float64
			limit int
			steps int
		}{
			{"as it was", 0, 8, 0}, {"bytes", 0, 8, 255}, {"shorts", 0, 8, 65535}, {"one percent dropped", 0.0099, 8, 0},
			{"four influences", 0, 4, 0}, {"all of it", 0.0099, 4, 255},
		} {
			back := exported(written, x.drop, x.limit, x.steps)
			how := storageOf(back, 0, back.Len())
			if f == weights.Float32 {
				if want := []float64{0, 1.0 / 255, 1.0 / 65535}[slices.Index([]int{0, 255, 65535}, x.steps)]; how.step != want {
					t.Fatalf("format %d, %s: step %g, want %g", f, x.name, how.step, want)
				}
			}
			for v := range back.Len() {
				jb, wb := written.Row(v)
				jc, wc := back.Row(v)
				if same, _ := how.same(jb, wb, jc, wc); !same {
					t.Fatalf("seed %d, format %d, %s: vertex %d: %v %v is taken for an edit of %v %v", seed, f, x.name, v, jc, wc, jb, wb)
				}
			}
		}
	}
}

// TestSame_Edit: the smallest changes that are edits, by the storage of the file.
func TestSame_Edit(t *testing.T) {
	base := rowOf(1, 0.5, 2, 0.3, 3, 0.2)
	for _, x := range []struct {
		name string
		how  storage
		row  *weights.Rows
		same bool
	}{
		{"floats, within five digits", storage{limit: 4}, rowOf(1, 0.500009, 2, 0.299991, 3, 0.2), true},
		{"floats, beyond", storage{limit: 4}, rowOf(1, 0.50002, 2, 0.29998, 3, 0.2), false},
		{"shorts, one step", storage{step: 1.0 / 65535, limit: 4}, rowOf(1, 0.5+1.0/65535, 2, 0.3-1.0/65535, 3, 0.2), true},
		{"shorts, four steps", storage{step: 1.0 / 65535, limit: 4}, rowOf(1, 0.5+4.0/65535, 2, 0.3-4.0/65535, 3, 0.2), false},
		{"bytes, one step", storage{step: 1.0 / 255, limit: 4}, rowOf(1, 0.5+1.0/255, 2, 0.3-1.0/255, 3, 0.2), true},
		{"bytes, two steps", storage{step: 1.0 / 255, limit: 4}, rowOf(1, 0.5+2.0/255, 2, 0.3-2.0/255, 3, 0.2), false},
		{"a joint taken out", storage{limit: 4}, rowOf(1, 0.625, 2, 0.375), false},
		{"a joint brought in", storage{limit: 4}, rowOf(1, 0.5, 2, 0.3, 3, 0.19, 4, 0.01), false},
		{"no weights", storage{limit: 4}, rowOf(), false},
	} {
		t.Run(x.name, func(t *testing.T) {
			jb, wb := base.Row(0)
			jc, wc := x.row.Row(0)
			if got, _ := x.how.same(jb, wb, jc, wc); got != x.same {
				t.Errorf("same: %v, want %v", got, x.same)
			}
		})
	}
}

func TestMapJoints(t *testing.T) {
	from := []Joint{{"root", -1}, {"spine", 0}, {"arm", 1}, {"hand", 2}, {"", 3}, {"twist", 2}, {"twist", 3}, {"stray", -1}}
	to := []Joint{{"twist", 4}, {"spine", 2}, {"root", -1}, {"twist", 5}, {"hand", 5}, {"arm", 1}, {"neck", 1}}
	m := MapJoints(from, to)
	// The twists are told apart by what is above them; the nameless joint and the
	// stray have no counterpart, and the stray no ancestor either.
	if want := []int32{2, 1, 5, 4, 4, 3, 0, -1}; !reflect.DeepEqual(m.To, want) {
		t.Errorf("to %v, want %v", m.To, want)
	}
	if want := []bool{false, false, false, false, true, false, false, true}; !reflect.DeepEqual(m.Gone, want) {
		t.Errorf("gone %v, want %v", m.Gone, want)
	}
	rows := m.Rows(joined(rowOf(0, 0.25, 3, 0.5, 4, 0.25), rowOf(1, 0.5, 7, 0.5), rowOf(7, 1)))
	for v, want := range []*weights.Rows{rowOf(2, 0.25, 4, 0.75), rowOf(1, 1), rowOf()} {
		if !sameRow(rows, v, want, 0) {
			t.Errorf("row %d: %v of %v", v, rows, want)
		}
	}
	if r := rowOf(0, 1); MapJoints(from, from).Rows(r) != r {
		t.Error("the same joints: rows are copied")
	}
	ring := []Joint{{"a", 1}, {"b", 0}}
	if m := MapJoints(ring, to); m.To[0] != -1 || m.To[1] != -1 {
		t.Errorf("a ring of parents leads to %v", m.To)
	}
}

// TestStorage_SmallInfluences: an influence under one percent that an artist takes out
// is told from one that an export drops, by the smaller ones that the file still has;
// whether the artist takes few out or most, and whatever the threshold is a share of.
// What cannot be told is no edit, and reported.
func TestStorage_SmallInfluences(t *testing.T) {
	const seed = 12
	const n = 2000
	rng := rand.New(rand.NewPCG(seed, 1))
	recorded := weights.NewRows(n)
	for range n {
		small := math.Exp(rng.Float64()*math.Log(0.0099/2e-4)) * 2e-4 // 0.02% to 0.99%
		large := 0.4 + 0.55*rng.Float64()
		recorded.Append([]uint16{1, 2, 3}, []float64{large, 1 - large - small, small})
	}
	// export drops what is under the threshold, a share of the row's weight or of its
	// largest one, and the artist takes out joint 3 of the first rows of every 1000.
	export := func(threshold float64, ofLargest bool, artist int) *weights.Rows {
		out, acc := weights.NewRows(n), weights.NewAccumulator(4)
		for v := range n {
			joint, weight := recorded.Row(v)
			under := threshold
			if ofLargest {
				under *= slices.Max(weight)
			}
			for i, j := range joint {
				if weight[i] >= under && !(j == 3 && v%1000 < artist) {
					acc.Add(j, weight[i])
				}
			}
			acc.FlushNormalised(out)
		}
		return out
	}
	for _, f := range []weights.Format{weights.Float32, weights.Uint16, weights.Uint8} {
		for _, threshold := range []float64{0, 0.001, 0.005, 0.01} {
			for _, ofLargest := range []bool{false, true} {
				for _, artist := range []int{0, 5, 100, 500, 900, 1000} {
					t.Run(fmt.Sprintf("format %d, under %g dropped, of the largest %v, %d of 1000 taken out", f, threshold, ofLargest, artist), func(t *testing.T) {
						current, err := weights.Quantise(export(threshold, ofLargest, artist), f)
						if err != nil {
							t.Fatal(err)
						}
						how := storageOf(current, 0, n)
						how.learn(recorded, current, 0, n, func(int) bool { return true })
						found, lost := 0, 0
						for v := range n {
							jb, wb := recorded.Row(v)
							jc, wc := current.Row(v)
							same, faded := how.same(jb, wb, jc, wc)
							taken := v%1000 < artist && wb[2] > 1.5*how.step
							if !same && !taken {
								t.Fatalf("seed %d, row %d, influence %g: an edit that the artist has not made", seed, v, wb[2])
							}
							if gone := len(jc) < 3 && wb[2] > max(1.5*how.step, floatTolerance); same && gone != (faded > 0) {
								t.Fatalf("seed %d, row %d, influence %g: gone %v, faded %g", seed, v, wb[2], gone, faded)
							}
							// Clear cases: beyond the threshold and the least that is left.
							if taken && wb[2] > max(1.7*threshold, 2.2*how.step, 3e-4) {
								if found++; same {
									lost++
								}
							}
						}
						switch {
						case artist == 1000 && lost != found:
							t.Errorf("%d of %d count as taken out, though nothing tells the artist from a program", found-lost, found)
						case artist < 1000 && lost > found/10:
							t.Errorf("%d of %d that the artist has taken out are lost", lost, found)
						}
					})
				}
			}
		}
	}
}
