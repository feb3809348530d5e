package retouch

// isotonic returns the values f, ascending or level, that minimise the sum of
// weight_i (value_i - f_i)^2: pooled adjacent violators. Weights are above zero.
// Only neighbours that descend are pooled, so that values in order come back as they
// are. O(n).
//
// Source: Barlow, Bartholomew, Bremner, Brunk 1972, "Statistical Inference under Order
// Restrictions", section 1.2 (from memory); the form with blocks on a stack after Best
// and Chakravarti 1990, "Active set algorithms for isotonic regression; a unifying
// framework", Mathematical Programming 47 (from memory).
func isotonic(value, weight []float64) []float64 {
	type block struct {
		mean, weight float64
		end          int
	}
	var blocks []block
	for i := range value {
		b := block{value[i], weight[i], i + 1}
		for len(blocks) > 0 && blocks[len(blocks)-1].mean > b.mean {
			a := blocks[len(blocks)-1]
			blocks = blocks[:len(blocks)-1]
			sum := a.weight + b.weight
			b = block{(a.weight*a.mean + b.weight*b.mean) / sum, sum, b.end}
		}
		blocks = append(blocks, b)
	}
	out := make([]float64, 0, len(value))
	for _, b := range blocks {
		for len(out) < b.end {
			out = append(out, b.mean)
		}
	}
	return out
}
