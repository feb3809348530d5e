package crew

import (
	"math"
	"testing"

	"github.com/selvage/selvage/transfer/weights"
)

// checkRows checks that rows sum to one with 1 to 4 positive influences.
func checkRows(t *testing.T, name string, r *weights.Rows, n int) {
	t.Helper()
	if r.Len() != n {
		t.Fatalf("%s: %d rows for %d vertices", name, r.Len(), n)
	}
	for v := range n {
		j, w := r.Row(v)
		if len(j) == 0 || len(j) > maxInfluences {
			t.Fatalf("%s, vertex %d: %d influences", name, v, len(j))
		}
		for i := range j {
			if !(w[i] > 0) || i > 0 && j[i] <= j[i-1] || int(j[i]) >= numJoints {
				t.Fatalf("%s, vertex %d: row %v %v", name, v, j, w)
			}
		}
		if math.Abs(r.Sum(v)-1) > 1e-12 {
			t.Fatalf("%s, vertex %d: sum %g", name, v, r.Sum(v))
		}
	}
}

func TestRows(t *testing.T) {
	for _, name := range Names() {
		b := NewBody(name)
		if err := b.Mesh.Validate(); err != nil {
			t.Fatal(err)
		}
		checkRows(t, name, b.Rows, b.Mesh.NumVertices())
		for _, c := range b.Cases() {
			if err := c.Garment.Mesh.Validate(); err != nil {
				t.Fatalf("%s: %v", c.Name, err)
			}
			checkRows(t, name+", "+c.Name, c.Garment.Truth, c.Garment.Mesh.NumVertices())
		}
	}
}
